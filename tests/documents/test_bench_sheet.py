"""The bench sheet: each step with what belongs to it, in print and as a page."""

import json
import re
from shutil import copytree

import msgspec
import pytest
from lxml import html
from msgspec import structs
from tests.cases.counter import REPOSITORY, answer
from tests.documents.printed import (
    CONTACT,
    ENVELOPE,
    HOSTILE,
    bare,
    even,
    full_quote,
    pages,
    quote_of,
    quoted,
    text,
)

from kitwright.app import make_service
from kitwright.documents.bench_sheet import bench_sheet_html, bench_sheet_pdf
from kitwright.quote import Quote, Step, StepReveal, StepUse, WorkPlan, read_quote
from kitwright.settings import Settings
from kitwright.web.calls.service import Service
from kitwright.web.calls.wire import PreviewIn
from kitwright.web.edge.body import decode

FORMS = ("pdf", "html")


def told(form: str, quote: Quote) -> str:
    """Return all words of the bench sheet in one of its forms."""
    if form == "pdf":
        return text(bench_sheet_pdf(quote, ENVELOPE, contact=CONTACT))
    return even(html.fromstring(page_of(quote)).text_content())


def page_of(quote: Quote) -> str:
    return bench_sheet_html(quote, ENVELOPE, contact=CONTACT)


def with_steps(quote: Quote, *steps: Step, **changes: object) -> Quote:
    plan = structs.replace(quote.work_plan, steps=steps or quote.work_plan.steps, **changes)
    return structs.replace(quote, work_plan=plan)


def one_step(**changes: object) -> Quote:
    """Return a revision whose work is one step, the first that takes something off."""
    quote = quote_of()
    step = next(step for step in quote.work_plan.steps if step.kind == "remove")
    return with_steps(quote, structs.replace(step, number=1, cautions=(), **changes), stops=())


@pytest.mark.parametrize("form", FORMS)
def test_bench_sheet_names_every_step_in_order(form: str) -> None:
    quote = quote_of()
    sheet = bare(told(form, quote))

    place = 0
    for step in quote.work_plan.steps:
        place = sheet.find(bare(step.name), place) + 1
        assert place, step.name


@pytest.mark.parametrize("form", FORMS)
@pytest.mark.parametrize("name", quoted()[::9])
def test_bench_sheet_tells_every_caution_in_full(form: str, name: str) -> None:
    quote = quote_of(name)
    sheet = bare(told(form, quote))

    assert quote.cautions
    for caution in quote.cautions:
        assert bare(f"{caution.title}: {caution.text}") in sheet


def test_bench_sheet_gives_a_caution_in_full_once_and_then_by_its_step() -> None:
    quote = quote_of()
    (hot,) = (one for one in quote.cautions if one.code == "HZ-HOT")
    steps = [step for step in quote.work_plan.steps if "HZ-HOT" in step.cautions]
    sheet = told("html", quote)

    assert len(steps) > 2
    assert sheet.count(hot.text) == 1
    assert sheet.count(f"{hot.title} (see step {steps[0].number})") == len(steps) - 1


@pytest.mark.parametrize("form", FORMS)
@pytest.mark.parametrize("name", quoted()[::9])
def test_bench_sheet_names_each_part_at_the_step_that_fits_it(form: str, name: str) -> None:
    quote = quote_of(name)
    sheet = told(form, quote)

    numbers = {use.part for step in quote.work_plan.steps for use in step.uses}
    covers = [cover for pack in quote.kit.packs for cover in pack.covers]
    replaced = {cover.part for cover in covers if cover.fitted != cover.part}
    assert numbers >= {need.part for need in quote.kit.needs} - replaced
    for number in numbers:
        assert bare(number) in bare(sheet)


def test_bench_sheet_names_parts_between_their_step_and_the_next() -> None:
    sheet = told("html", quote_of())
    _, _, rest = sheet.partition("Refit: head, cylinder 2")

    assert "Fit: 1 piece Head gasket, multi-layer (V68-G-103)" in rest.partition("Refit:")[0]


@pytest.mark.parametrize("form", FORMS)
def test_bench_sheet_has_a_blank_for_each_value_of_the_manual_and_no_value(form: str) -> None:
    quote = full_quote()
    sheet = bare(told(form, quote))

    values = [value for step in quote.work_plan.steps for value in step.manual]
    assert len(values) > 5
    for value in values:
        assert bare(f"{value}: ______ (page ____)") in sheet
    assert not re.search(r"\d\s?(?:Nm|ft|in\.? ?lb|mm)\b", told(form, quote))


@pytest.mark.parametrize("form", FORMS)
def test_bench_sheet_gives_no_customer_and_only_the_prices_of_stopping(form: str) -> None:
    quote = full_quote()
    sheet = told(form, quote)
    (stop,) = quote.work_plan.stops

    assert "Ada Pellow" not in sheet
    assert sheet.count("$") == 2
    assert (
        f"Stopping before this step costs ${stop.refitted.amount} refitted, "
        f"${stop.in_boxes.amount} in boxes." in sheet
    )
    before, _, after = sheet.partition("Go on or stop?")
    assert quote.work_plan.steps[stop.before_step - 2].name in before
    assert stop.name in after
    assert "$" not in told(form, with_steps(quote, stops=()))


@pytest.mark.parametrize("form", FORMS)
def test_bench_sheet_groups_steps_by_place_and_cylinder(form: str) -> None:
    whole = told(form, quote_of("v68-zero-turn-short-block"))
    sheet, _, picture = whole.partition("Removal order")

    assert sheet.count("In the machine") == 2
    assert sheet.count("On the bench") == 1
    assert picture.index("In the machine") < picture.index("On the bench")
    first = sheet.index("Cylinder 1"), sheet.index("Cylinder 2")
    assert sheet.count("Clocked: ______ to ______") > 5
    assert sheet.index("On the bench") < min(first)


def test_bench_sheet_heads_a_step_of_the_engine_with_the_engine() -> None:
    quote = quote_of()
    taken = next(step for step in quote.work_plan.steps if step.kind == "remove")
    steps = [
        structs.replace(taken, number=number, name=f"Step {number}", cylinder=cylinder, place=place)
        for number, cylinder, place in ((1, 1, "bench"), (2, 2, "bench"), (3, None, None))
    ]
    sheet = told("html", with_steps(quote, *steps, stops=()))

    heads = [sheet.index(head) for head in ("Cylinder 2", "Step 2", "Engine and machine", "Step 3")]
    assert heads == sorted(heads)


def test_bench_sheet_clocks_a_step_of_the_engine_amid_a_cylinder_with_that_cylinder() -> None:
    quote = quote_of()
    taken = next(step for step in quote.work_plan.steps if step.kind == "remove")
    steps = [
        structs.replace(taken, number=number, name=f"Step {number}", cylinder=cylinder)
        for number, cylinder in ((1, 1), (2, None), (3, 1), (4, None), (5, 2), (6, 1))
    ]
    sheet = told("html", with_steps(quote, *steps, stops=()))

    heads = re.findall(r"Engine and machine|Cylinder \d(?= .? ?Clocked)", sheet)
    assert heads == ["Cylinder 1", "Engine and machine", "Cylinder 2", "Cylinder 1"]


@pytest.fixture(scope="module")
def german(tmp_path_factory: pytest.TempPathFactory) -> Service:
    """Return the service of a shop whose bench reads German."""
    catalogue = tmp_path_factory.mktemp("german") / "catalog"
    copytree(REPOSITORY / "catalog", catalogue)
    shop = catalogue / "shops" / "hire-yard.toml"
    text = shop.read_text(encoding="utf-8")
    asked = text.replace('language = "en"', 'language = "en"\nbench_language = "de"', 1)
    shop.write_text(asked, encoding="utf-8")
    return make_service(Settings(catalog=catalogue, shop="hire-yard"))


@pytest.mark.parametrize(
    ("family", "chassis"),
    [("TB-V68", "DF-RT36"), ("QM-D74", "DF-RT36"), ("TB-S50", "MF-WB30"), ("QM-H27", "PW-G5")],
)
@pytest.mark.parametrize("job", ["J-HEAD-GASKET", "J-VALVE-EX"])
def test_bench_sheet_of_a_head_job_takes_two_or_three_pages_in_each_language(
    family: str, chassis: str, job: str, german: Service
) -> None:
    asked = {
        "family": family,
        "chassis": chassis,
        "on": "2027-03-01",
        "jobs": [{"job": job, "cylinder": 1}],
    }
    told = german.quote(decode(json.dumps(asked).encode(), PreviewIn))

    for quote in (
        read_quote(json.dumps(answer("hire-yard", asked)).encode()),
        read_quote(msgspec.json.encode(told)),
    ):
        assert 2 <= len(pages(bench_sheet_pdf(quote, ENVELOPE, contact=CONTACT))) <= 3
    assert told.work_plan.language == "de"


def test_bench_sheet_tells_parts_to_fit_from_what_is_used_up() -> None:
    assert "Fit: 1 piece Exhaust valve" in told("html", quote_of("h27-generator-exhaust-valve"))
    sheet = told("html", quote_of())

    # both are for the same step
    assert re.search(r"Fit: 1 piece Oil filter[^;]*Use: [^;]*oil", sheet)
    assert "Use: 1 piece" not in sheet


@pytest.mark.parametrize("form", FORMS)
def test_bench_sheet_heads_a_group_with_one_clock_however_many_pages_it_takes(form: str) -> None:
    # in the machine, on the bench, and in the machine again
    sheet = told(form, quote_of("h27-generator-exhaust-valve"))

    assert sheet.count("Clocked: ______ to ______") == 3


@pytest.mark.parametrize("form", FORMS)
def test_bench_sheet_has_faces_to_clean_before_a_part_with_a_gasket_goes_on(form: str) -> None:
    sheet = bare(told(form, quote_of("h27-generator-exhaust-valve")))

    for part in ("muffler", "carburettor", "rocker cover"):
        after = sheet[sheet.index(bare(f"Refit: {part}")) :]
        assert after.index(bare("old gasket off, both faces clean")) < after.index(bare("Fit: 1"))
    assert bare("Check, photograph: old gasket") not in sheet


@pytest.mark.parametrize("form", FORMS)
def test_bench_sheet_has_one_set_of_gauge_blanks_for_each_cylinder(form: str) -> None:
    one = told(form, quote_of("h27-generator-exhaust-valve"))
    two = told(form, quote_of("v68-zero-turn-short-block"))

    gauges = "Readings noted, supply / cylinder gauge:"
    after_one, after_two = (even(sheet).partition(gauges)[2] for sheet in (one, two))
    assert re.match(r" ______ / ______ (?!;)", after_one)
    assert after_two.startswith(" (1) ______ / ______; (2) ______ / ______ ")


def test_bench_sheet_of_one_cylinder_needs_no_headings_for_it() -> None:
    sheet = told("html", quote_of("h27-generator-exhaust-valve"))

    assert "Engine and machine" not in sheet
    assert sheet.count("Clocked:") == 3


def test_bench_sheet_says_how_long_to_wait() -> None:
    waits = {
        "Wait: about 45 min.": one_step(elapsed_minutes=45),
        "Wait: about 1 working day.": one_step(working_days=1),
        "Wait: about 3 working days.": one_step(working_days=3),
        "Minutes from fasteners: 30% more or less.": one_step(spread_percent="30"),
    }
    for words, quote in waits.items():
        assert words in told("html", quote)


def test_bench_sheet_names_what_a_step_may_show_with_a_box() -> None:
    found = StepReveal(contingency="x", name="Broken stud", cylinder=2)
    page = html.fromstring(page_of(one_step(reveals=(found,))))

    (box,) = page.xpath("//label[contains(., 'Broken stud, cylinder 2')]/input")
    assert box.get("aria-label") == "Found: Broken stud, cylinder 2"
    assert "If you find a fault that a step names, stop" in even(page.text_content())
    assert "If you find" not in told("html", one_step(reveals=()))


def test_bench_sheet_says_for_how_many_machines_it_is() -> None:
    quote = quote_of("v68-zero-turn-oil-for-fourteen")
    sheet = told("html", quote)

    assert "The steps, parts and minutes are those of one of 14 machines." in sheet
    assert "All steps on 14 machines" in sheet


def test_bench_sheet_adds_minutes_up_to_what_is_billed() -> None:
    for name in quoted():
        quote = quote_of(name)
        billed = sum(job.minutes_here for job in quote.jobs)
        sheet = told("html", with_steps(quote, *quote.work_plan.steps[:1]))
        if not any(line.code.startswith("free") for line in quote.lines):
            assert re.search(rf"Billed ?{billed:,}(?= Removal|$)", sheet), name


@pytest.mark.parametrize("form", FORMS)
def test_bench_sheet_without_removals_has_no_picture(form: str) -> None:
    quote = quote_of()
    loose = structs.replace(quote, access=structs.replace(quote.access, remove=(), refit=()))

    assert "Removal order" in told(form, quote)
    assert "Removal order" not in told(form, loose)


def test_bench_sheet_html_lets_no_text_become_markup() -> None:
    use = StepUse(
        role="x", cylinder=1, part=HOSTILE, name=HOSTILE, quantity="1", unit="C62", measure="piece"
    )
    hostile = one_step(
        name=HOSTILE,
        fasteners=HOSTILE,
        tools=(HOSTILE,),
        look=(HOSTILE,),
        manual=(HOSTILE,),
        uses=(use,),
        reveals=(StepReveal(contingency="x", name=HOSTILE, cylinder=None),),
    )
    jobs = tuple(structs.replace(job, name=HOSTILE) for job in hostile.work_plan.jobs)
    quote = structs.replace(with_steps(hostile, jobs=jobs), complaint=HOSTILE)
    envelope = structs.replace(ENVELOPE, machine_name=HOSTILE, quote_id='"><img src=x>')
    page = bench_sheet_html(quote, envelope, contact=CONTACT)
    root = html.fromstring(page)

    assert not root.xpath("//script | //img | //b")
    assert "{{ 7 * 7 }}" in page
    assert not re.search(r"[\u202e\u2066\x00\x07\x1b]", page)


def test_bench_sheet_tells_what_the_customer_reported() -> None:
    quote = structs.replace(quote_of(), complaint="Smokes blue.\nOil gone <in a week>.")
    (said,) = html.fromstring(page_of(quote)).xpath("//blockquote")

    assert "Reported by the customer Smokes blue. Oil gone <in a week>." in told("pdf", quote)
    assert list(said.itertext()) == ["Smokes blue.", "Oil gone <in a week>."]
    assert "Reported" not in page_of(quote_of())


def test_bench_sheet_is_in_the_language_of_the_bench() -> None:
    quote = quote_of()
    plan: WorkPlan = structs.replace(quote.work_plan, language="de")
    root = html.fromstring(page_of(structs.replace(quote, work_plan=plan)))

    assert quote.language == "en"
    assert "Auf der Werkbank" in root.text_content()
    assert root.get("lang") == "de"


def test_bench_sheet_html_heads_its_columns_and_names_its_boxes() -> None:
    quote = quote_of()
    root = html.fromstring(page_of(quote))
    plan = quote.work_plan

    assert root.get("lang") == "en"
    assert len(root.xpath("//h1")) == 1
    assert all(each.get("scope") for each in root.xpath("//th"))
    boxes = root.xpath("//input[@type='checkbox']")
    refits = [step for step in plan.steps if step.kind not in ("remove", "hold")]
    ticks = sum(len(step.look) for step in refits)
    assert ticks > 0
    finds = sum(len(step.reveals) for step in plan.steps)
    assert len(boxes) == len(plan.steps) + finds + ticks
    assert all(box.get("aria-label") for box in boxes)
    (picture,) = root.xpath("//*[local-name()='svg']")
    assert picture.get("role") == "img"


@pytest.mark.parametrize("form", FORMS)
def test_bench_sheet_begins_with_the_diagnosis_in_plain_words(form: str) -> None:
    quote = quote_of()
    sheet = bare(told(form, quote))

    first = sheet.index(bare(quote.work_plan.steps[0].name))
    assert quote.work_plan.diagnoses
    for one in quote.work_plan.diagnoses:
        assert 0 < sheet.index(bare(f"{one.name}, cylinder {one.cylinder}: {one.plain}")) < first


@pytest.mark.parametrize("form", FORMS)
def test_bench_sheet_gives_readings_with_blanks_for_those_after_the_repair(form: str) -> None:
    quote = full_quote()
    assert quote.assessment is not None
    sheet = bare(told(form, quote))

    first = sheet.index(bare(quote.work_plan.steps[0].name))
    head = sheet[sheet.index(bare("Leak-down readings")) : first]
    assert bare("Leakage after") in head
    for one in quote.assessment.leakage:
        assert bare(f"Cylinder {one.cylinder}") in head
        assert one.whole_percent is None or bare(f"{one.whole_percent}%") in head
        for reading in one.readings:
            assert bare(f"{reading.supply} / {reading.in_cylinder} {reading.unit}") in head
    assert bare("Leak-down readings") not in bare(told(form, quote_of()))
