from msgspec import structs
from tests.stages.workbench import (
    MONDAY,
    V68,
    figure,
    of_family,
    starter,
    with_part,
    with_role,
)

from kitwright.catalogue.model import Catalogue, ItemId
from kitwright.proof import prove_catalogue


def messages(catalogue: Catalogue) -> set[str]:
    return {problem.message for problem in prove_catalogue(of_family(catalogue), MONDAY).problems}


def without_row(catalogue: Catalogue, place: int) -> Catalogue:
    rows = catalogue.fitments[V68]
    return structs.replace(
        catalogue, fitments={**catalogue.fitments, V68: (*rows[:place], *rows[place + 1 :])}
    )


def test_prove_catalogue_finds_nothing_in_the_starter_catalogue() -> None:
    proof = prove_catalogue(starter(), MONDAY)
    assert proof.problems == ()
    assert proof.repairs > 1000


def test_prove_catalogue_finds_every_fitment_that_is_removed() -> None:
    for place, row in enumerate(starter().fitments[V68]):
        found = messages(without_row(starter(), place))
        if row.role in ("piston", "pushrod"):
            continue  # no job and no refit asks for these by itself
        assert any(f"no part fits {row.role}" in message for message in found), row


def test_prove_catalogue_finds_a_part_that_nobody_sells_though_some_lie_on_the_shelf() -> None:
    # the last oil filters are on the shelf: once fitted, there is no way to get more
    catalogue = with_part(starter(), "V68-F-801", maker="Nobody")
    assert "V68-F-801" in {row.item for row in catalogue.shops["hire-yard"].stock}  # type: ignore[index]
    assert any("V68-F-801" in message for message in messages(catalogue))


def test_prove_catalogue_finds_two_parts_for_one_role() -> None:
    catalogue = with_role(
        starter(),
        "exhaust_nut",
        lambda row: (row, structs.replace(row, part=ItemId("V68-B-206"))),
    )
    assert any("V68-B-205 and V68-B-206" in message for message in messages(catalogue))


def test_prove_catalogue_finds_two_quantities_for_one_role() -> None:
    catalogue = with_role(
        starter(),
        "exhaust_nut",
        lambda row: (row, structs.replace(row, quantity=figure("3"))),
    )
    assert any("exhaust_nut" in message for message in messages(catalogue))
