import ast
import re
from collections.abc import Iterator
from datetime import date
from decimal import Decimal
from pathlib import Path

import pytest
from tests.stages.workbench import starter

import kitwright
from kitwright.catalogue.model import SERIAL_MAX
from kitwright.language import english
from kitwright.language.render import Speaker, UnknownLanguage
from kitwright.money import Money
from kitwright.stages.price import LineKind
from kitwright.stages.why import Fact, Why

SOURCES = Path(kitwright.__file__).parent
SPEAKER = Speaker(starter(), "en")


def modules() -> Iterator[tuple[str, ast.Module]]:
    for path in sorted(SOURCES.rglob("*.py")):
        yield str(path.relative_to(SOURCES)), ast.parse(path.read_text(encoding="utf-8"))


def calls(name: str) -> Iterator[tuple[str, ast.Call]]:
    for file, tree in modules():
        for node in ast.walk(tree):
            if isinstance(node, ast.Call) and getattr(node.func, "id", "") == name:
                yield file, node


def strings(node: ast.expr) -> set[str]:
    """Return the texts that an expression may come to, through `a if b else c`."""
    if isinstance(node, ast.IfExp):
        return strings(node.body) | strings(node.orelse)
    return {node.value} if isinstance(node, ast.Constant) and isinstance(node.value, str) else set()


def patterns(node: ast.expr) -> set[str]:
    """Return patterns for the codes that an expression may come to."""
    if isinstance(node, ast.JoinedStr):
        return {"".join(next(iter(patterns(one)), ".+") for one in node.values)}
    return {re.escape(text) for text in strings(node)}


def test_sentences_hold_every_code_that_the_sources_give() -> None:
    for file, call in calls("Why"):
        for pattern in patterns(call.args[0]):
            found = [code for code in english.SENTENCES if re.fullmatch(pattern, code)]
            assert found, f"{file}:{call.lineno}: no sentence for {pattern}"


def test_sentences_hold_no_code_that_nothing_gives() -> None:
    # a code chosen beforehand and kept in a name is found as a text of its module
    given = {
        pattern
        for file, tree in modules()
        if not file.startswith("language")
        for node in ast.walk(tree)
        if isinstance(node, ast.Constant | ast.JoinedStr)
        for pattern in patterns(node)
        if "-" in pattern
    }
    for code in english.SENTENCES:
        assert any(re.fullmatch(pattern, code) for pattern in given), code


def test_grouped_and_unsaid_are_codes_of_sentences() -> None:
    assert set(english.GROUPED) | english.UNSAID <= set(english.SENTENCES)


def test_phrases_hold_every_fee() -> None:
    fees = {
        node.value.value
        for file, tree in modules()
        if file in ("stages/price/price.py", "stages/price/adjustment.py", "stages/price/line.py")
        for node in tree.body
        if isinstance(node, ast.Assign | ast.AnnAssign)
        and isinstance(node.value, ast.Constant)
        and isinstance(node.value.value, str)
    }
    charges = {code for _, call in calls("OrderFee") for code in strings(call.args[0])}
    assert len(fees) >= 6
    assert len(charges) == 2
    assert (fees | charges) - set(english.PHRASES) == set()


def test_line_kinds_are_words_of_the_wire() -> None:
    assert {kind.value for kind in LineKind} >= {"part", "set", "labour", "fee", "freight", "core"}


@pytest.mark.parametrize(
    ("minor", "currency", "told"),
    [
        (123456, "USD", "$1,234.56"),
        (-8500, "USD", "-$85.00"),
        (0, "EUR", "€0.00"),
        (1234, "JPY", "¥1,234"),
        (-5, "BHD", "-BHD0.005"),
        (1234567, "BHD", "BHD1,234.567"),
        (12345, "HUF", "HUF123.45"),
    ],
)
def test_money_has_the_digits_of_iso_4217(minor: int, currency: str, told: str) -> None:
    assert SPEAKER.money(Money(minor, currency)) == told


@pytest.mark.parametrize(
    ("amount", "currency", "told"),
    [
        ("12.5", "USD", "$12.50"),
        ("0.0045", "USD", "$0.0045"),
        ("1200", "JPY", "¥1,200"),
        ("12.5", "JPY", "¥12.5"),
        ("-1.25", "BHD", "-BHD1.250"),
    ],
)
def test_price_keeps_every_decimal(amount: str, currency: str, told: str) -> None:
    assert SPEAKER.price(Decimal(amount), currency) == told


@pytest.mark.parametrize(
    ("number", "told"),
    [("1234.5", "1,234.5"), ("0.1235", "0.124"), ("-0.0004", "0"), ("7", "7"), ("-2.50", "-2.5")],
)
def test_number_has_at_most_three_decimals(number: str, told: str) -> None:
    assert SPEAKER.number(Decimal(number)) == told


def test_day_is_written_out() -> None:
    assert SPEAKER.day(date(2027, 3, 1)) == "Mar 1, 2027"


def test_speaker_refuses_a_language_that_is_not_complete() -> None:
    with pytest.raises(UnknownLanguage):
        Speaker(starter(), "xx")


def test_sentence_names_the_role_before_it() -> None:
    why = Why("replaced-by-job", {"role": "head_gasket", "on": 1, "job": "J-LASH", "cylinder": 1})
    told = SPEAKER.sentence(why)
    assert told.startswith("Head gasket, cylinder 1: replaced by ")


def test_sentence_does_not_read_braces_in_facts() -> None:
    assert "{item}" in SPEAKER.sentence(Why("no-source", {"item": "{item}"}))


def test_summary_says_a_reason_of_many_roles_once() -> None:
    whys = [
        Why("renewed-by-refit", {"role": "exhaust_nut", "on": place, "component": "muffler"})
        for place in (1, 2)
    ]
    told = SPEAKER.summary(whys)
    assert told == "Replaced during reassembly: exhaust nut, cylinder 1; exhaust nut, cylinder 2."


@pytest.mark.parametrize(
    ("language", "told"),
    [
        (
            "en",
            "Needed to repair: a head gasket leak to the outside, cylinder 1 (recommended scope).",
        ),
        (
            "de",
            "Grund: Zylinderkopfdichtung nach außen undicht, Zylinder 1 (Umfang: empfohlen).",
        ),
    ],
)
def test_sentence_says_the_name_of_a_fault(language: str, told: str) -> None:
    facts: dict[str, Fact] = {"diagnosis": "HG-OUTSIDE", "cylinder": 1, "scope": "recommended"}

    assert Speaker(starter(), language).sentence(Why("asked-by-diagnosis", facts)) == told


@pytest.mark.parametrize(
    ("code", "told"),
    [
        ("H27-V-502", 'Discount on "Exhaust valve", given by A. Shop: torn box'),
        ("J-LASH", 'Discount on "Valve clearance adjustment", given by A. Shop: torn box'),
        ("waste-oil", 'Discount on "Used oil disposal", given by A. Shop: torn box'),
        ("free-2", 'Discount on "added line 2", given by A. Shop: torn box'),
        ("X-1", 'Discount on "X-1", given by A. Shop: torn box'),
    ],
)
def test_sentence_says_what_a_discount_is_of(code: str, told: str) -> None:
    facts: dict[str, Fact] = {"by": "A. Shop", "reason": "torn box", "code": code, "percent": None}

    assert SPEAKER.sentence(Why("discount-of-line", facts)) == told


@pytest.mark.parametrize(
    ("first", "last", "told", "german"),
    [
        (0, 3_119_999, "up to 3119999", "bis 3119999"),
        (3_120_000, SERIAL_MAX, "from 3120000", "ab 3120000"),
        (5, 9, "5 to 9", "5 bis 9"),
    ],
)
def test_sentence_names_no_serial_number_that_only_ends_the_range(
    first: int, last: int, told: str, german: str
) -> None:
    why = Why("fits-by-serial", {"item": "X-1", "serial_from": first, "serial_to": last})

    assert SPEAKER.sentence(why) == f"X-1 fits serial numbers {told}."
    assert Speaker(starter(), "de").sentence(why) == f"X-1 passt zu Seriennummern {german}."


def test_set_is_told_alike_whether_there_is_one_or_more() -> None:
    facts: dict[str, Fact] = {"pieces": 16, "set_price": "$44.00", "pieces_price": "$61.20"}

    told = SPEAKER.sentence(Why("set-for-pieces", facts))

    assert told == "Set price: $44.00. The same parts sold separately (16): $61.20."


def test_tax_is_named_in_the_language_of_the_quote() -> None:
    facts: dict[str, Fact] = {
        "tax": "VAT",
        "rate": Decimal(20),
        "new_rate": Decimal(22),
        "first_day": date(2027, 3, 1),
    }
    why = Why("tax-rate-changes", facts)

    assert SPEAKER.sentence(why).startswith("VAT is 20% on ")
    assert Speaker(starter(), "de").sentence(why).startswith("USt.: 20\N{NO-BREAK SPACE}% am ")


@pytest.mark.parametrize(
    ("language", "share"), [("en", "12.5%"), ("de", "12,5\N{NO-BREAK SPACE}%")]
)
def test_per_cent_in_a_reason_is_written_by_the_locale(language: str, share: str) -> None:
    why = Why("diagnostic-credited", {"percent": Decimal("12.5")})

    assert Speaker(starter(), language).sentence(why).startswith(f"{share} ")


CODES = {
    "diagnosis": "HG-OUTSIDE",
    "job": "J-LASH",
    "component": "valve_springs@1",
    "work": "lap_and_test@1",
    "role": "exhaust_nut",
    "fault": "HG-OUTSIDE",
    "code": "J-LASH",
    "gate": "G-TDC",
    "conflict": "C-RINGS",
    "class": "tech",
    "finding": "plug_oil",
    "level": "yes",
    "other": "plug_oil",
    "other_level": "yes",
}
"""Facts that are ids of the catalogue."""


@pytest.mark.parametrize("language", ["en", "de"])
@pytest.mark.parametrize("code", english.SENTENCES)
def test_sentence_tells_no_id_of_the_catalogue(code: str, language: str) -> None:
    named = re.findall(r"\{(\w+)\}", english.SENTENCES[code])
    given = {name: CODES.get(name, "7") for name in (*named, "level", "other_level")}
    facts: dict[str, Fact] = {**given, "on": 1, "other_on": 1, "cylinder": 1}

    told = Speaker(starter(), language).sentence(Why(code, facts))

    assert not re.search(r"[A-Z]+-[A-Z]|_|@", told)


def test_sentence_names_the_work_that_uses_something_once() -> None:
    facts: dict[str, Fact] = {"work": "clean_faces@1", "role": "clean_faces", "on": 1}
    assert SPEAKER.sentence(Why("used-by-work", facts)).count("sealing faces") == 1
