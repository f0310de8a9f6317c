from msgspec import structs
from tests.documents.ubl_reader import case

from kitwright.documents.paper import Amount, PaperLine, PaperTax, QuotePaper
from kitwright.documents.tax_scope import Scope, tax_scopes


def paper_of(lines: list[tuple[str, str, str]], *taxes: tuple[str, str, str, str]) -> QuotePaper:
    """Return a revision of (kind, net, tax) lines and (component, rate, base, amount) taxes."""
    plain = case("h27-generator-plug")
    return structs.replace(
        plain,
        exemption=None,
        lines=tuple(line_of(plain.lines[0], *each) for each in lines),
        taxes=tuple(
            PaperTax(name, name, rate, Amount(base, "USD"), Amount(amount, "USD"))
            for name, rate, base, amount in taxes
        ),
    )


def line_of(plain: PaperLine, kind: str, net: str, tax: str) -> PaperLine:
    return structs.replace(plain, tax_kind=kind, net=Amount(net, "USD"), tax=Amount(tax, "USD"))


def scope(taxed: str, left_alone: str = "") -> Scope:
    return Scope(frozenset(taxed.split()), frozenset(left_alone.split()))


def test_tax_scopes_are_the_kinds_whose_nets_come_to_the_base() -> None:
    paper = paper_of(
        [("part", "30.00", "2.40"), ("part", "20.00", "1.60"), ("labour", "80.00", "0.00")],
        ("sales", "8", "50.00", "4.00"),
    )
    assert tax_scopes(paper) == (scope("part", "labour"),)


def test_tax_scopes_tell_equal_nets_apart_by_the_tax_that_they_bear() -> None:
    paper = paper_of(
        [("part", "50.00", "4.00"), ("labour", "50.00", "0.00")], ("sales", "8", "50.00", "4.00")
    )
    assert tax_scopes(paper) == (scope("part", "labour"),)


def test_tax_scopes_find_each_tax_its_own_kinds() -> None:
    paper = paper_of(
        [("part", "100.00", "8.00"), ("labour", "40.00", "1.20"), ("core", "7.00", "0.00")],
        ("state", "5", "100.00", "5.00"),
        ("county", "3", "140.00", "4.20"),
    )
    assert tax_scopes(paper) == (scope("part", "labour core"), scope("part labour", "core"))


def test_tax_scopes_find_a_tax_on_the_tax_before_it() -> None:
    paper = paper_of(
        [("part", "100.00", "15.50"), ("labour", "40.00", "0.00")],
        ("first", "5", "100.00", "5.00"),
        ("second", "10", "105.00", "10.50"),
    )
    assert tax_scopes(paper) == (scope("part", "labour"), scope("part", "labour"))


def test_tax_scopes_find_a_rate_of_zero() -> None:
    paper = paper_of(
        [("part", "50.00", "0.00"), ("labour", "80.00", "0.00")], ("sales", "0", "50.00", "0.00")
    )
    assert tax_scopes(paper) == (scope("part", "labour"),)


def test_tax_scopes_leave_open_what_two_sets_of_kinds_would_explain() -> None:
    paper = paper_of(
        [("part", "50.00", "0.00"), ("labour", "50.00", "0.00")], ("sales", "0", "50.00", "0.00")
    )
    assert tax_scopes(paper) == (scope(""),)


def test_tax_scopes_leave_open_a_kind_that_is_nothing_in_all() -> None:
    paper = paper_of(
        [("part", "50.00", "4.00"), ("fee", "20.00", "0.00"), ("fee", "-20.00", "0.00")],
        ("sales", "8", "50.00", "4.00"),
    )
    assert tax_scopes(paper) == (scope("part"),)


def test_tax_scopes_know_a_kind_that_is_nothing_in_all_by_its_lines() -> None:
    paper = paper_of(
        [("part", "50.00", "4.00"), ("fee", "20.00", "1.60"), ("fee", "-20.00", "-1.60")],
        ("sales", "8", "50.00", "4.00"),
    )
    assert tax_scopes(paper) == (scope("part fee"),)
