"""The bench sheet: each step with what belongs to it, in print and as a page."""

import re

import pytest
from lxml import html
from msgspec import structs
from tests.documents.printed import (
    CONTACT,
    ENVELOPE,
    HOSTILE,
    LOOKS,
    SCRIBE,
    bare,
    even,
    full_quote,
    quote_of,
    quoted,
    text,
)

from kitwright.documents.bench_sheet import Look, bench_sheet_html, bench_sheet_pdf
from kitwright.quote import Need, Quote

FORMS = ("pdf", "html")
STRANGE = Look(inspect=(HOSTILE,), fasteners=HOSTILE, tools=(HOSTILE,), manual=(HOSTILE,))


def told(form: str, quote: Quote) -> str:
    """Return all words of the bench sheet in one of its forms."""
    if form == "pdf":
        return text(bench_sheet_pdf(quote, ENVELOPE, SCRIBE, contact=CONTACT, looks=LOOKS))
    page = bench_sheet_html(quote, ENVELOPE, SCRIBE, contact=CONTACT, looks=LOOKS)
    return even(html.fromstring(page).text_content())


@pytest.mark.parametrize("form", FORMS)
def test_bench_sheet_names_every_step_off_and_on_in_order(form: str) -> None:
    quote = quote_of()
    sheet = told(form, quote)
    off, _, on = sheet.partition("Reassembly")

    for part, steps, is_refit in (
        (off, quote.access.remove, False),
        (on, quote.access.refit, True),
    ):
        place = part.find("Removal, in this order") + 1
        for step in steps:
            name = SCRIBE.step(step.component, step.cylinder, is_refit=is_refit)
            place = part.find(name[:1].upper() + name[1:], place) + 1
            assert place, name


@pytest.mark.parametrize("form", FORMS)
def test_bench_sheet_says_at_each_step_why_and_what_to_look_at(form: str) -> None:
    sheet = told(form, quote_of())

    for step in quote_of().access.remove:
        for why in step.why:
            if why.code == "stands-before":
                assert bare(SCRIBE.thing(str(why.facts["component"]))) in bare(sheet)
            else:
                assert bare(why.text) in bare(sheet)
    for said in (
        "Check, photograph: warp on a flat plate, photograph of the gasket",
        "Fasteners: 4-5 x M8/M10 head bolt, lengths may differ",
        "Special tools: torque wrench, straightedge",
        "From the manufacturer's manual: head torque, head tightening sequence",
    ):
        assert sheet.count(said) == 2, said


@pytest.mark.parametrize("form", FORMS)
@pytest.mark.parametrize("name", quoted()[::9])
def test_bench_sheet_tells_every_caution_in_full(form: str, name: str) -> None:
    quote = quote_of(name)
    sheet = told(form, quote)

    assert quote.cautions
    for caution in quote.cautions:
        assert bare(f"{caution.title}: {caution.text}") in bare(sheet)


def test_bench_sheet_names_a_caution_at_each_step_that_it_belongs_to() -> None:
    sheet = told("html", quote_of())

    # in full at the muffler, by name at both plugs
    assert sheet.count("Hot exhaust and engine: see step 11.") == 2


@pytest.mark.parametrize("form", FORMS)
def test_bench_sheet_renews_each_part_at_its_refit_or_job(form: str) -> None:
    quote = quote_of()
    sheet = told(form, quote)

    for need in quote.kit.needs:
        assert need.part in sheet
    assert "Replace: 2 pieces Fuel hose clip (V68-C-715)" in sheet
    assert "Replace: 1 piece Head gasket, multi-layer, cylinder 2 (V68-G-103)" in sheet


@pytest.mark.parametrize("form", FORMS)
def test_bench_sheet_names_no_part_that_is_not_decided(form: str) -> None:
    quote = quote_of("v68-zero-turn-one-head-no-serial")
    sheet = told(form, quote)

    first, second = quote.part_questions
    assert first.parts == second.parts
    for cylinder in (1, 2):
        assert (
            f"1 piece intake gasket, cylinder {cylinder}: not decided yet; read the engine's "
            "plate: Intake gasket, paper (up to serial number 3119999) (V68-G-120) / "
            "Intake O-ring, moulded (from serial number 3120000) (V68-G-121)"
        ) in sheet
    assert sheet.count(first.priced) == 2


@pytest.mark.parametrize("form", FORMS)
def test_bench_sheet_names_the_machines_that_decide_about_a_part(form: str) -> None:
    quote = quote_of("v68-not-named-new-engine")
    question = quote.chassis_question
    assert question is not None
    held = {(one.role, one.cylinder) for one in question.held}
    needs = [need for need in quote.kit.needs if (need.role, need.cylinder) in held]
    machines = " / ".join(one.name for one in question.options)

    sheet = told(form, quote)

    assert needs
    for need in needs:
        assert (
            f"({need.part}): not decided yet; not every machine needs it, so check which one it "
            f"is: {machines}"
        ) in sheet


def test_bench_sheet_adds_up_what_is_used() -> None:
    quote = quote_of()
    used = [need for need in quote.kit.needs if need.kind == "used"]
    thrice = tuple(structs.replace(used[0], quantity=each) for each in ("0.1", "0.2", "0.7"))

    sheet = told("html", structs.replace(quote, kit=structs.replace(quote.kit, needs=thrice)))

    assert f"1 pad {used[0].name} ({used[0].part})" in sheet


@pytest.mark.parametrize("form", FORMS)
def test_bench_sheet_gives_no_price_and_no_figure_of_the_maker(form: str) -> None:
    sheet = told(form, full_quote())

    assert "$" not in sheet
    assert "Ada Pellow" not in sheet
    assert "Torque, tightening sequence and clearances: see the manufacturer's manual." in sheet
    assert not re.search(r"\d\s?(?:Nm|ft|in\.? ?lb|mm)\b", sheet)


@pytest.mark.parametrize("form", FORMS)
def test_bench_sheet_says_that_nothing_comes_off(form: str) -> None:
    quote = quote_of()
    loose = structs.replace(quote, access=structs.replace(quote.access, remove=(), refit=()))

    assert "Nothing has to be removed." in told(form, loose)


def test_bench_sheet_html_lets_no_text_become_markup() -> None:
    quote = quote_of()
    needs = tuple(_renamed(need) for need in quote.kit.needs)
    hostile = structs.replace(
        quote,
        kit=structs.replace(quote.kit, needs=needs),
        jobs=tuple(structs.replace(job, name=HOSTILE) for job in quote.jobs),
        complaint=HOSTILE,
    )
    envelope = structs.replace(ENVELOPE, machine_name=HOSTILE, quote_id='"><img src=x>')
    page = bench_sheet_html(hostile, envelope, SCRIBE, contact=CONTACT, looks={"head": STRANGE})
    root = html.fromstring(page)

    assert not root.xpath("//script | //img | //b")
    assert "{{ 7 * 7 }}" in page
    assert not re.search(r"[\u202e\u2066\x00\x07\x1b]", page)


def test_bench_sheet_tells_in_one_sentence_what_waits_for_a_step() -> None:
    page = bench_sheet_html(quote_of(), ENVELOPE, SCRIBE, contact=CONTACT, looks=LOOKS)
    several = 0
    for step in quote_of().access.remove:
        waiting = [why.facts["component"] for why in step.why if why.code == "stands-before"]
        named = "; ".join(SCRIBE.thing(str(one)) for one in waiting)
        assert not waiting or f"Removed before: {named}." in page
        several += len(waiting) > 1
    assert several


def test_bench_sheet_tells_what_the_customer_reported() -> None:
    quote = structs.replace(quote_of(), complaint="Smokes blue.\nOil gone <in a week>.")
    made = bench_sheet_pdf(quote, ENVELOPE, SCRIBE, contact=CONTACT, looks=LOOKS)
    page = bench_sheet_html(quote, ENVELOPE, SCRIBE, contact=CONTACT, looks=LOOKS)
    (told,) = html.fromstring(page).xpath("//blockquote")

    assert "Reported by the customer Smokes blue. Oil gone <in a week>." in text(made)
    assert list(told.itertext()) == ["Smokes blue.", "Oil gone <in a week>."]
    assert "Reported" not in bench_sheet_html(
        quote_of(), ENVELOPE, SCRIBE, contact=CONTACT, looks=LOOKS
    )


def _renamed(need: Need) -> Need:
    return structs.replace(need, name=HOSTILE)


def test_bench_sheet_html_heads_its_columns_and_names_its_boxes() -> None:
    page = bench_sheet_html(quote_of(), ENVELOPE, SCRIBE, contact=CONTACT, looks=LOOKS)
    root = html.fromstring(page)

    assert root.get("lang") == "en"
    assert len(root.xpath("//h1")) == 1
    assert all(each.get("scope") for each in root.xpath("//th"))
    boxes = root.xpath("//input[@type='checkbox']")
    quote = quote_of()
    assert len(quote.may_turn_up) > 5
    assert len(boxes) == 2 * len(quote.access.remove) + len(quote.may_turn_up)
    assert all(box.get("aria-label") for box in boxes)
    (picture,) = root.xpath("//*[local-name()='svg']")
    assert picture.get("role") == "img"
