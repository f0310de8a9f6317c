"""Words that somebody acts upon: no text tells anybody to do what is wrong or dangerous."""

import re
from collections.abc import Iterator
from decimal import Decimal

import pytest
from tests.diagnosis.rows import Row, assessed, read_rows
from tests.language.extract import catalogue_texts
from tests.stages.workbench import HIRE_YARD, starter

from kitwright.catalogue.model import GateAction, RefitWork, Work
from kitwright.documents.assessment_text import assessment_text
from kitwright.language import english
from kitwright.language.render import Speaker
from kitwright.language.scribe import Scribe
from kitwright.stages.finding import read_findings
from kitwright.stages.request import (
    AskedAssessment,
    AskedCylinder,
    AskedFindings,
    AskedReading,
)
from kitwright.stages.why import Why
from kitwright.units import PressureUnit
from kitwright.workshop import Workshop

LANGUAGES = ("en", "de")
WORKSHOP = Workshop(starter(), starter().shops[HIRE_YARD])
NOTHING = Row(id="nothing")
ROWS = [NOTHING, *read_rows("golden.toml")]
ID = re.compile(r"\b(?:T|J|V|HZ|GATE|CLASH|CS)-[A-Z]{2}|\b[a-z]+_[a-z_]+\b|[a-z]@[0-9]")
"""An id of the catalogue: of a test, a job, a hazard; of a component or a gauge."""


def components() -> set[str]:
    catalogue = starter()
    layouts = {one.id for layout in catalogue.layouts.values() for one in layout.component}
    return layouts | {one.id for chassis in catalogue.chassis.values() for one in chassis.component}


def texts(*kinds: str) -> list[str]:
    """Return the catalogue's texts of some kinds, in English."""
    found = [text for (kind, text, _), _ in catalogue_texts(starter()) if kind in kinds and text]
    return list(dict.fromkeys(found))


def ways(word: str) -> Iterator[bool]:
    """Yield whether each word of a name says what is done to a thing, in English or German."""
    for each in re.findall(r"\w+", word):
        yield each in {"off", "out", "held", "taken", "drained", "disconnected", "removed"}
    # what a German step tells to do stands at its end and begins small: "Öl ablassen"
    yield bool(re.search(r" [a-zäöü]+(?:en|ern|eln)$", word))


@pytest.mark.parametrize("language", LANGUAGES)
def test_component_is_named_by_a_thing_and_not_by_what_is_done_to_it(language: str) -> None:
    # among what goes back on "oil, drained" would tell to drain it
    scribe = Scribe(language)

    assert [name for name in components() if any(ways(scribe.thing(name)))] == []


@pytest.mark.parametrize("language", LANGUAGES)
def test_step_says_the_opposite_when_its_component_goes_back_on(language: str) -> None:
    speaker = Speaker(starter(), language)
    rows = [row for layout in starter().layouts.values() for row in layout.component]
    rows += [row for chassis in starter().chassis.values() for row in chassis.component]
    named = [one for row in rows for one in (row, row.unless_sound) if one is not None]
    refits = [speaker.text("component", one.refit_name) for one in named if one.refit_name]
    removals = [speaker.text("component", one.remove_name) for one in named if one.remove_name]

    assert len(refits) > 10
    assert len(refits) == len(removals)
    assert set(refits).isdisjoint(removals)
    undone = [one for one in refits if not re.search(r"\brope\b|Seil", one)]
    told = r"ausbauen|abklemmen|ablassen$|[Dd]rain|[Dd]isconnect the battery|out of|heraus"
    assert not [one for one in undone if re.search(told, one)]


@pytest.mark.parametrize("language", LANGUAGES)
def test_customer_is_told_to_do_nothing_to_the_engine(language: str) -> None:
    speaker = Speaker(starter(), language)
    plain = [speaker.text("diagnosis", row.plain) for row in starter().rules.diagnosis]
    plain += [speaker.text("contingency", row.plain) for row in starter().contingencies.values()]
    order = {
        "en": r"(?:^|[.:;] )(?:Set|Correct|Clean|Check|Run|Drain|Renew|Fit|Measure|Retest)\b",
        "de": r"\b\w+n Sie\b(?! den Motor nicht laufen)",
    }[language]

    assert [told for told in plain if re.search(order, told)] == []


@pytest.mark.parametrize("language", LANGUAGES)
def test_part_of_the_customer_s_has_no_warranty_but_its_fitting_has(language: str) -> None:
    told = Speaker(starter(), language).sentence(Why("customer-brings", {}))

    assert not re.search(r"fitted|fitting|einbau", told, re.IGNORECASE)
    assert re.search(r"\bpart\b|\bTeil\b", told)


@pytest.mark.parametrize("language", LANGUAGES)
@pytest.mark.parametrize("row", ROWS, ids=lambda row: row.id)
def test_assessment_names_no_id_to_a_reader(row: Row, language: str) -> None:
    told = assessment_text(assessed(WORKSHOP, row), Speaker(starter(), language))
    # a fault's own code is what the counter types, and stands before its name
    told = re.sub(r"(?m)^  [A-Z-]+(?:@\d)?:|\([A-Z]{2}-\w+\)$", "", told)

    assert ID.findall(told) == []


@pytest.mark.parametrize("kind", ["hazard", "gate", "conflict", "test", "background", "diagnosis"])
def test_text_for_the_bench_names_no_id(kind: str) -> None:
    assert [told for told in texts(kind) if ID.search(told)] == []


@pytest.mark.parametrize("language", LANGUAGES)
def test_nothing_is_called_faulty_or_sound_that_nobody_looked_at(language: str) -> None:
    told = assessment_text(assessed(WORKSHOP, NOTHING), Speaker(starter(), language))

    assert "is not normal" not in told
    assert "ist nicht in Ordnung" not in told
    assert ("do not count as normal" in " ".join(told.split())) is (language == "en")


@pytest.mark.parametrize(("language", "sign"), [("en", "%"), ("de", "\N{NO-BREAK SPACE}%")])
def test_assessment_writes_per_cents_as_its_locale_does(language: str, sign: str) -> None:
    row = next(row for row in ROWS if assessed(WORKSHOP, row).findings.leakages)
    told = assessment_text(assessed(WORKSHOP, row), Speaker(starter(), language))

    figures = re.findall(r"(?m)[0-9](\D*%)$", told)
    assert set(figures) == {sign}


def test_pressure_in_psi_is_told_in_bar_as_well() -> None:
    pressures = [told for told in texts("hazard", "gate", "test") if re.search(r"\bpsi\b", told)]

    assert pressures
    assert [told for told in pressures if "bar" not in told] == []
    german = Speaker(starter(), "de")
    for kind in ("hazard", "gate", "test"):
        for told in texts(kind):
            assert ("psi" in told) is ("bar)" in german.text(kind, told)), told


@pytest.mark.parametrize(
    ("supply", "answered"),
    [("6.89", []), ("6.90", [GateAction.void]), ("4.14", []), ("4.13", [GateAction.indicative])],
)
def test_limit_in_bar_is_where_the_gate_answers(supply: str, answered: list[GateAction]) -> None:
    # 100 psi are 6.8948 bar, 60 psi 4.1369: what the texts say holds to the last digit
    reading = AskedReading(supply=Decimal(supply), in_cylinder=Decimal(4), unit=PressureUnit.bar)
    cylinders = (AskedCylinder(cylinder=1, readings=(reading,)),)
    asked = AskedAssessment(
        family=next(iter(starter().families)), findings=AskedFindings(cylinders=cylinders)
    )

    assert [one.gate.action for one in read_findings(starter(), asked).answered] == answered
    limits = re.findall(r"([0-9.]+) bar", " ".join(texts("hazard", "gate", "test")))
    assert set(limits) == {"6.89", "4.14"}


@pytest.mark.parametrize("language", LANGUAGES)
def test_background_is_told_by_what_is_known(language: str) -> None:
    # a remark alone ("or unknown hours on ...") says nothing of what is known
    rules = starter().rules
    speaker = Speaker(starter(), language)
    told = [
        speaker.text("background", row.note or row.id.replace("_", " ")) for row in rules.background
    ]

    assert not [each for each in told if re.match(r"(?:or|oder|ask|fragen)\b", each)]


@pytest.mark.parametrize(("language", "that"), [("en", "that "), ("de", "dass ")])
def test_claim_reads_behind_the_words_that_forbid_it(language: str, that: str) -> None:
    # such as: Do not claim: that the head is flat; it is measured only once it is off
    speaker = Speaker(starter(), language)
    claims = [speaker.text("diagnosis", row.say_not) for row in starter().rules.diagnosis]

    assert [told for told in claims if not re.fullmatch(that + "[^:.]+[.]", told)] == []


@pytest.mark.parametrize("language", LANGUAGES)
def test_reason_for_optional_work_is_a_sentence(language: str) -> None:
    # it stands alone beneath the work's name
    speaker = Speaker(starter(), language)
    rows = [row for job in starter().jobs.values() for row in job.while_apart]
    told = [speaker.text("job", row.reason) for row in rows]

    assert [each for each in told if not re.fullmatch("[A-ZÄÖÜ].*[.]", each)] == []


@pytest.mark.parametrize("language", LANGUAGES)
def test_check_still_to_be_made_is_a_promise_of_the_shop(language: str) -> None:
    # it is printed to the customer behind "Still to be checked:"
    speaker = Speaker(starter(), language)
    told = [speaker.text("gate", row.plain) for row in starter().rules.gate if row.plain]

    assert told
    assert [each for each in told if not each.startswith(("We will ", "Wir "))] == []


def test_work_is_named_in_words_and_not_by_its_id() -> None:
    catalogue = starter()
    rows: list[Work | RefitWork] = [
        work
        for layout in catalogue.layouts.values()
        for one in layout.component
        for work in one.refit_work
    ]
    rows += [work for job in catalogue.jobs.values() for work in job.work]

    assert [work.id for work in rows if work.id not in english.WORDS] == []


def test_catalogue_uses_the_words_of_the_trade() -> None:
    # renew is for a licence; a repair is quoted, not sold; English has no space before a per cent
    kinds = ("job", "contingency", "diagnosis", "finding", "gate", "conflict", "hazard", "test")
    odd = re.compile(r"\b(?:renew|any more|nobody|is sold|lash)|\d %")

    assert [told for told in texts(*kinds) if odd.search(told)] == []
