import re
import unicodedata
from typing import Any

import pytest
from msgspec import structs
from tests.stages.workbench import (
    BOTH_HEADS,
    ORCHARD,
    everything,
    job,
    quote,
    starter,
    supplier,
    with_shop,
    with_suppliers,
)

from kitwright.catalogue.model import Catalogue, DiagnosisCode
from kitwright.documents.layout import WIDTH
from kitwright.documents.quote_text import quote_text
from kitwright.language.render import Speaker
from kitwright.stages.outcome import Outcome
from kitwright.stages.request import AskedDiagnosis
from kitwright.telling import tell_quote

LONG = "An extraordinarily long name of something quite ordinary, " * 3
UNBROKEN = "x" * 150
HOSTILE = "Gasket\nTo pay  $0.01\r\n\x1b[2J\x1b[31m\x00\x07\t\u2028\u202etxet\x9b1m"

DATED = ("parts", "sets", "consumables", "jobs", "families", "chassis", "suppliers")


def named(catalogue: Catalogue, name: str) -> Catalogue:
    """Return the catalogue with one name for every record that has one."""
    changes: dict[str, Any] = {
        group: {key: structs.replace(each, name=name) for key, each in records.items()}
        for group in DATED
        for records in (getattr(catalogue, group),)
    }
    return with_shop(structs.replace(catalogue, **changes), name=name)


def rendered(catalogue: Catalogue, found: Outcome) -> list[str]:
    text = quote_text(tell_quote(found, Speaker(catalogue, "en"), catalogue=catalogue))
    assert text.endswith("\n")
    return text.split("\n")[:-1]


def whole(catalogue: Catalogue, **asked: Any) -> list[str]:
    """Return the text of a quote that has every section."""
    some = [each for each in everything(catalogue) if each.item != "V68-B-205"]
    catalogue = with_suppliers(catalogue, structs.replace(supplier("ONE", *some), name="Supplier"))
    given = {
        "jobs": (*BOTH_HEADS, job("J-LASH", 1)),
        "serial": None,
        "chassis": "SK-ZT52",
        "diagnostic_done": True,
        **asked,
    }
    return rendered(catalogue, quote(catalogue, **given))


@pytest.mark.parametrize("name", [LONG, UNBROKEN, HOSTILE])
def test_quote_text_never_exceeds_its_width(name: str) -> None:
    too_wide = [line for line in whole(named(starter(), name)) if len(line) > WIDTH]
    assert too_wide == []


def test_quote_text_names_no_id_of_a_fee() -> None:
    told = " ".join(rendered(starter(), quote(starter(), jobs=BOTH_HEADS)))

    assert "Shop supplies" in told
    assert not re.search(r"\b[a-z]+(?:[-_][a-z0-9]+)+: ", told)


def test_quote_text_bears_a_long_name_on_the_right() -> None:
    # the shop's name on an order, and a bin on the shelf, stand at the right margin
    shop = starter().shops[ORCHARD]
    rows = tuple(structs.replace(row, bin=LONG) for row in shop.stock)
    catalogue = with_shop(starter(), ORCHARD, name=LONG, stock=rows)
    lines = rendered(catalogue, quote(catalogue, ORCHARD, jobs=BOTH_HEADS))
    assert max(map(len, lines)) <= WIDTH


def test_quote_text_lets_no_name_break_or_paint_a_line() -> None:
    for line in whole(named(starter(), HOSTILE)):
        strange = [mark for mark in line if unicodedata.category(mark) in ("Cc", "Cf", "Zl", "Zp")]
        assert strange == [], line
        assert not line.startswith("To pay")


def test_quote_text_is_the_same_section_by_section_under_hostile_names() -> None:
    plain, hostile = whole(named(starter(), "Gasket")), whole(named(starter(), HOSTILE))
    rules = [len(line) for line in plain if set(line) <= set("-=") and line]
    assert [len(line) for line in hostile if set(line) <= set("-=") and line] == rules


@pytest.mark.parametrize("shop", ["hire-yard", "orchard"])
def test_quote_text_prints_every_amount_beside_what_it_is(shop: Any) -> None:
    found = quote(starter(), shop, jobs=BOTH_HEADS, diagnostic_done=True)
    lines = rendered(starter(), found)
    speaker = Speaker(starter(), "en")
    totals = found.repair.totals
    amounts = [totals.net, totals.payable, *(tax.amount for tax in found.repair.taxes)]
    amounts += [amount for order in found.repair.orders for amount in (order.net, order.goods)]
    amounts += [extra.price for extra in found.extras]
    for amount in amounts:
        assert amount is not None
        told = speaker.money(amount)
        assert any(told in line and re.match(r"\s*\S", line.replace(told, "")) for line in lines)
    for line in found.repair.lines:
        assert any(each.endswith(f" {line.amount.amount_text}") for each in lines)
    for order in found.repair.orders:
        for row in order.lines:
            assert any(each.endswith(f" {row.net.amount_text}") for each in lines)


def test_quote_text_prints_the_sum_of_the_lines_where_the_tax_is_not_known() -> None:
    # prices include tax: without an area there is no net, but there is still a sum to see
    found = quote(starter(), ORCHARD, jobs=BOTH_HEADS, tax_area=None)
    told = Speaker(starter(), "en").money(found.repair.totals.lines)
    assert any(told in line for line in rendered(starter(), found))


def test_quote_text_names_what_was_found() -> None:
    found = AskedDiagnosis(code=DiagnosisCode("HG-OUTSIDE"), cylinder=1)

    lines = rendered(starter(), quote(starter(), jobs=(), diagnoses=(found,)))

    told = " ".join(" ".join(lines).split())
    assert "a head gasket leak to the outside, cylinder 1: Combustion gas leaks to" in told
    assert "HG-OUTSIDE" not in told
