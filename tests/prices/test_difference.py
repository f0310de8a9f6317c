"""The difference says what a file changes, and whom it touches."""

from pathlib import Path

from tests.prices.small import EUROS

from kitwright.prices.difference import OldPrice, OpenQuote, PriceDifference, find_difference
from kitwright.prices.reading import read_prices
from kitwright.prices.summary import difference_lines

HEAD = "Part no;List;Cost;Pack;Superseded by\n"
BEFORE = """A;10,00;5,00;1;
B;10,00;5,00;1;
C;10,00;5,00;1;
D;10,00;5,00;1;
E;10,00;5,00;1;
F;10,00;5,00;1;
G;10,00;50,00;10;
H;10,00;5,00;1;
"""
NOW = """A;10,00;5,00;1;
B;10,00;5,50;1;
C;10,00;7,50;1;
D;10,00;4,00;1;
E;10,00;0,00;1;
F;10,00;auf Anfrage;1;
G;10,00;5,00;1;
I;1,00;1,50;1;
J;1,00;;1;A
"""


def built(text: str, target: Path) -> Path:
    """Return the book of a file."""
    source = target.with_suffix(".csv")
    source.write_text(HEAD + text, encoding="utf-8")
    assert read_prices(source, EUROS, target, lambda _: None).errors == 0
    return target


def difference(folder: Path, quotes: tuple[OpenQuote, ...] = ()) -> PriceDifference:
    before = built(BEFORE, folder / "before.db")
    now = built(NOW, folder / "now.db")
    return find_difference(now, before, against=None, quotes=quotes)


def test_difference_counts_every_kind_of_change(tmp_path: Path) -> None:
    found = difference(tmp_path)

    counted = {
        kind: [change.number for change in getattr(found, kind).examples]
        for kind in (
            "new", "dearer", "cheaper", "far", "zero", "above_list", "on_request", "vanished",
            "superseded",
        )
    }  # fmt: skip
    assert counted == {
        "new": ["I", "J"],
        "dearer": ["C", "B"],
        "cheaper": ["D"],
        "far": ["C"],
        "zero": ["E"],
        "above_list": ["I"],
        "on_request": ["F"],
        "vanished": ["H"],
        "superseded": [],
    }
    assert (found.numbers, found.unchanged) == (9, 2)


def test_difference_has_the_change_of_one_item_in_percent(tmp_path: Path) -> None:
    found = difference(tmp_path)

    most = found.dearer.examples[0]
    assert (most.before, most.now, most.percent) == ("5.00", "7.50", "50.00")
    assert found.cheaper.examples[0].percent == "-20.00"
    assert found.dearer.quantiles["50"] == "10.00"
    assert found.dearer.quantiles["99"] == "50.00"


def test_difference_counts_a_number_superseded_since(tmp_path: Path) -> None:
    before = built("A;10,00;5,00;1;\nB;10,00;5,00;1;\n", tmp_path / "before.db")
    now = built("A;10,00;5,00;1;B\nB;10,00;5,00;1;\n", tmp_path / "now.db")

    found = find_difference(now, before, against=None)

    assert [change.superseded_by for change in found.superseded.examples] == ["B"]


def test_difference_names_the_quotes_whose_numbers_change(tmp_path: Path) -> None:
    quotes = (
        OpenQuote(id="Q1", is_issued=False, numbers=frozenset({"A", "G"})),
        OpenQuote(id="Q2", is_issued=False, numbers=frozenset({"A", "B"})),
        OpenQuote(id="Q3", is_issued=True, numbers=frozenset({"H"})),
        OpenQuote(id="Q4", is_issued=True, numbers=frozenset({"A"})),
    )

    found = difference(tmp_path, quotes)

    # the price of a pack of G changed with its size
    assert (found.drafts, found.issued) == (("Q1", "Q2"), ("Q3",))


def test_difference_to_the_catalogue_finds_items_by_the_makers_number(tmp_path: Path) -> None:
    old = OldPrice(item="V-1", number="OLD-1", description="Seal", cost=4_000_000, pack=1)
    gone = OldPrice(item="V-2", number="OLD-2", description="Ring", cost=4_000_000, pack=1)
    source, target = tmp_path / "now.csv", tmp_path / "now.db"
    source.write_text("Part no;OEM number;Cost\nNEW-1;v1;5,00\n", encoding="utf-8")
    read_prices(source, EUROS, target, lambda _: None)

    found = find_difference(target, [old, gone], against=None)

    assert [change.percent for change in found.dearer.examples] == ["25.00"]
    assert [change.number for change in found.vanished.examples] == ["OLD-2"]
    assert found.new.count == 0


def test_difference_is_told_in_lines(tmp_path: Path) -> None:
    told = list(difference_lines(difference(tmp_path)))

    assert "compared with the catalogue: unchanged 2" in told
    assert "more expensive: 2 (half of them by 10.00% or less)" in told
    assert "  C: 5.00 -> 7.50 (50.00%), list 10.00" in told
