"""What the starter catalogue holds to beyond what `check-catalog` proves of every catalogue."""

from kitwright.catalogue.model import Catalogue


def test_parts_stand_with_their_family(starter: Catalogue) -> None:
    for family in starter.families.values():
        own = {row.id for row in family.part} | starter.consumables.keys()
        assert {row.part for row in family.fitment} <= own
        assert all(one in own for row in family.sets for one in row.contents)


def test_price_lists_are_those_of_the_parts(starter: Catalogue) -> None:
    assert [(row.id, row.currency, row.includes_tax) for row in starter.price_lists.values()] == [
        ("usd", "USD", False),
        ("eur-vat", "EUR", True),
    ]


def test_overrun_presets_are_all_sourced_and_none_is_on(starter: Catalogue) -> None:
    assert [row.id for row in starter.overruns.values()] == [
        "ohio-repairs",
        "florida-vehicles",
        "massachusetts-vehicles",
        "california-appliances",
        "ontario-vehicles",
    ]
    assert all("local law decides" in row.note for row in starter.overruns.values())
    assert {shop.overrun for shop in starter.shops.values()} == {None}


def test_every_flag_of_the_families_is_explained(starter: Catalogue) -> None:
    carried = {flag for family in starter.families.values() for flag in family.flags}

    assert carried == starter.flags.keys()
