"""Whatever is answered, in a language that nobody speaks: nothing English may be left."""

import json
import re
from collections.abc import Iterator
from datetime import date
from functools import cache
from pathlib import Path
from typing import Any
from xml.etree import ElementTree

import msgspec
import pytest
from babel.dates import get_month_names
from msgspec import structs
from tests.cases.counter import REPOSITORY, Json, service
from tests.cases.test_cases import NAMES, case, starter
from tests.language.pseudo import PSEUDO, pseudo, write_pseudo

from kitwright.catalogue.model import ShopId
from kitwright.documents.quote_text import quote_text
from kitwright.language import texts
from kitwright.language.texts import texts_of
from kitwright.quote import encode_quote
from kitwright.web.calls.service import Service
from kitwright.web.calls.wire import AssessmentIn, PreviewIn
from kitwright.web.edge.body import decode
from kitwright.web.edge.negotiate import SVG, TEXT
from kitwright.workshop import Workshop

EXAMPLES = REPOSITORY / "openapi" / "examples"
ASSESSED = [path.stem for path in sorted(EXAMPLES.glob("assessFindings*.json"))]
QUOTED = [path.stem for path in sorted(EXAMPLES.glob("previewQuote*.json"))]
SHOP = "hire-yard"

TOLD = frozenset(
    (
        *("at", "by_name", "description", "message", "name", "needs", "plain", "mind", "reason"),
        *("fasteners", "look", "manual", "tools"),
        *("say_not", "text", "title", "words"),
    )
)
"""Members for people."""
CODES = frozenset(
    (
        *("action", "aim", "amount", "background", "band", "base_quantity", "basis", "bin", "bits"),
        *("category", "measure", "sources"),
        *("minutes_done", "minutes_to_refit"),
        *("cautions", "contingency", "place", "side", "spread_percent", "step"),
        *("brand", "build_code", "by_job", "catalogue_revision", "cause", "certificate_number"),
        *("chassis", "chassis_name", "code", "component", "conflict", "currency", "default"),
        *("exact_minutes", "family", "finding", "findings", "gate", "grade", "held_by", "id"),
        *("in_cylinder", "supply", "upper_percent", "verdict", "whole_percent"),
        *(
            "fitted",
            "item",
            "job",
            "kind",
            "kinds",
            "make",
            "labour_class",
            "language",
            "level",
            "none",
            "on",
        ),
        *("order_by", "ordered_on", "orifice_mm", "time_zone"),
        *("packs", "part", "parts", "parts_by", "percent", "priced"),
        *("probability", "promised", "quality", "quantity", "rate", "ready_on", "retest", "role"),
        "sku",
        *("source", "standing", "steps", "stock", "supplier", "supply_psi", "cylinder_psi"),
        *("tax_kind", "tax_state", "test", "times", "unit", "unit_cost", "unit_price"),
        *("valid_until",),
    )
)
"""Members for machines, and names."""


@pytest.fixture(scope="module")
def locale(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return a folder of languages with the one that nobody speaks."""
    folder = tmp_path_factory.mktemp("locale")
    write_pseudo(folder)
    return folder


@pytest.fixture(autouse=True)
def _spoken(locale: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    # the catalogue names languages, so it is read while they are all there
    service(SHOP)
    monkeypatch.setattr(texts, "FOLDER", locale)


def members(answer: object, name: str = "") -> Iterator[tuple[str, str]]:
    """Yield every text of an answer with its member's name; facts are for machines."""
    if isinstance(answer, dict):
        for key, value in answer.items():
            if key != "facts":
                yield from members(value, key)
    elif isinstance(answer, list):
        for each in answer:
            yield from members(each, name)
    elif isinstance(answer, str):
        yield name, answer


@cache
def names() -> tuple[str, ...]:
    """Return what keeps its letters in every language: names and codes, longest first."""
    catalogue = starter()
    found = {shop.name for shop in catalogue.shops.values()}
    found |= {service for shop in catalogue.shops.values() for service in shop.sublet}
    found |= {row.bin for shop in catalogue.shops.values() for row in shop.stock}
    for shop in catalogue.shops.values():
        found |= {*shop.purchasing.accounts.values(), *shop.purchasing.deliver_to}
    for supplier in catalogue.suppliers.values():
        found |= {
            supplier.id,
            supplier.name,
            supplier.time_zone or supplier.id,
            *(part for row in supplier.offer for part in (row.brand, row.sku)),
        }
    for family in catalogue.families.values():
        found |= {family.id, family.maker, family.name}
    for chassis in catalogue.chassis.values():
        found |= {chassis.id, chassis.name}
    rules = catalogue.rules
    for records in (rules.test, rules.gate, rules.conflict):
        found |= {row.id for row in records}
    found |= {*catalogue.parts, *catalogue.sets, *catalogue.consumables, *catalogue.diagnoses}
    found |= {"diagnostic-fee", "diagnostic-credit", "bench-minimum", "shop-supplies"}
    found |= {"waste-oil", "freight-and-order-fees", "free"}
    return tuple(sorted(found, key=len, reverse=True))


def plain_words(told: str, request: Json) -> list[str]:
    """Return the words that are still English, after names and what the request itself says."""
    given = [text for _, text in members(request)]
    told = re.sub(r"-\s+", "-", " ".join(told.split()))
    for name in sorted((*names(), *given), key=len, reverse=True):
        told = told.replace(re.sub(r"-\s+", "-", " ".join(name.split())), "")
    # the months, and the words of lists, are Babel's
    months = "|".join(get_month_names("wide", locale=texts_of(PSEUDO).locale).values())
    return re.findall(r"[A-Za-z]{2,}", re.sub(rf"\b(USD|EUR|und|oder|{months})\b", "", told))


def left(answer: Json, request: Json) -> dict[str, list[str]]:
    """Return the members of an answer that are still English."""
    told = [(name, text) for name, text in members(answer) if name in TOLD]
    found = {f"{name}: {text}": plain_words(text, request) for name, text in told}
    assert len(found) > 5
    return {text: words for text, words in found.items() if words}


def asked(name: str) -> tuple[str, Json]:
    given = case(name)
    return given["shop"], {**given["request"], "language": PSEUDO}


def example(name: str) -> Json:
    read: Json = json.loads((EXAMPLES / f"{name}.json").read_text(encoding="utf-8"))
    return {**read, "language": PSEUDO}


@cache
def bench_service(shop: str) -> Service:
    """Return the service of a shop whose bench speaks the language that nobody speaks."""
    catalogue = starter()
    other = structs.replace(catalogue.shops[ShopId(shop)], bench_language=PSEUDO)
    return Service(Workshop(catalogue, other), lambda: date(2031, 7, 4))


def quoted(shop: str, request: Json) -> tuple[Json, str]:
    """Return the answer to a preview request, and the same as text."""
    wanted = decode(json.dumps(request).encode(), PreviewIn)
    made = bench_service(shop).quote(wanted)
    return json.loads(encode_quote(made)), quote_text(made)


@pytest.mark.parametrize("name", NAMES)
def test_quote_of_a_case_leaves_no_word_untranslated(name: str) -> None:
    shop, request = asked(name)
    answer, text = quoted(shop, request)
    assert left(answer, request) == {}
    assert plain_words(text, request) == []


@pytest.mark.parametrize("name", QUOTED)
def test_quote_of_an_example_leaves_no_word_untranslated(name: str) -> None:
    request = example(name)
    answer, text = quoted(SHOP, request)
    assert left(answer, request) == {}
    assert plain_words(text, request) == []


@pytest.mark.parametrize("name", ASSESSED)
def test_assessment_leaves_no_word_untranslated(name: str) -> None:
    request = example(name)
    wanted = decode(json.dumps(request).encode(), AssessmentIn)
    answer = json.loads(msgspec.json.encode(service(SHOP).assess(wanted)))
    assert left(answer, request) == {}
    assert plain_words(service(SHOP).assessed(wanted, TEXT), request) == []
    drawn = ElementTree.fromstring(service(SHOP).assessed(wanted, SVG))
    assert plain_words(" ".join(drawn.itertext()), request) == []


def test_members_of_answers_are_each_for_people_or_for_machines() -> None:
    answers: list[Any] = [quoted(*asked(name))[0] for name in NAMES[:5]]
    answers += [quoted(SHOP, example(name))[0] for name in QUOTED]
    found = {name for answer in answers for name, _ in members(answer)}
    assert found - TOLD - CODES == set()


def test_plain_words_finds_what_was_never_looked_up() -> None:
    told = (
        f"{pseudo('{job} - {class} labour').format(job='Head gasket', **{'class': 'x'})} V68-G-120"
    )
    assert plain_words(told, {}) == ["Head", "gasket"]
