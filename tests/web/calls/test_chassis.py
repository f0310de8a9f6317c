"""A chassis that nobody named: asked for in previews, in kept quotes and on every paper."""

from io import BytesIO
from typing import Any

from lxml import etree, html
from pypdf import PdfReader
from tests.web.calls.conftest import Staff
from tests.web.calls.shop import png

ENGINE: dict[str, Any] = {"family": "TB-V68", "serial": 3200000, "jobs": [{"job": "J-ENGINE"}]}
CARRIERS = ("DF-RT36", "SK-ZT52")
NAMES = ("Dunfallow Tarrowby", "Skarrow Quillane")


def preview(staff: Staff, **members: Any) -> Any:
    answer = staff.client.post("/v1/quotes/preview", json={**ENGINE, **members})
    assert answer.status_code == 200, answer.text
    return answer.json()


def paper(staff: Staff, path: str, form: str) -> bytes:
    answer = staff.client.get(path, headers={"Accept": form})
    assert answer.status_code == 200, answer.text
    return bytes(answer.content)


def test_preview_asks_for_the_machine_and_prices_the_costliest(staff: Staff) -> None:
    told = preview(staff)
    named = {chassis: preview(staff, chassis=chassis) for chassis in CARRIERS}

    (question,) = told["questions"]
    costliest = max(named, key=lambda one: float(named[one]["totals"]["gross"]["amount"]))
    assert told["provisional"]
    assert told["engine"]["chassis"] is None
    assert question["role"] == "chassis"
    assert question["parts"] == [*CARRIERS, "loose"]
    assert [one["name"] for one in question["options"]] == [*NAMES, "loose engine"]
    assert question["priced"] == costliest
    assert [one["role"] for one in question["held"]] == ["fuel_clip"]
    for member in ("lines", "totals", "jobs", "access", "labour"):
        assert told[member] == named[costliest][member]


def test_preview_takes_null_for_a_chassis_that_nobody_named(staff: Staff) -> None:
    assert preview(staff, chassis=None) == preview(staff)


def test_preview_takes_loose_for_an_engine_without_a_chassis(staff: Staff) -> None:
    told = preview(staff, chassis="loose")

    assert told["engine"]["chassis"] == "loose"
    assert told["engine"]["chassis_name"] is None
    assert not told["provisional"]
    assert told["questions"] == []


def test_preview_says_in_text_which_machine_is_priced(staff: Staff) -> None:
    answer = staff.client.post(
        "/v1/quotes/preview", json=ENGINE, headers={"Accept": "text/plain"}
    ).text

    assert "PROVISIONAL: name the machine before ordering" in answer
    assert all(name in answer for name in NAMES)


def test_kept_quote_is_the_previews_and_provisional_until_the_machine_is_named(
    staff: Staff,
) -> None:
    asked = {**ENGINE, "on": "2027-03-01"}
    kept = staff.done("/v1/quotes", asked).json()
    told = preview(staff, on="2027-03-01")

    assert kept["gross"] == told["totals"]["gross"]
    assert (
        staff.get(f"/v1/quotes/{kept['id']}/revisions/1")["quote"]["questions"]
        == (told["questions"])
    )
    (head,) = staff.get(f"/v1/quotes/{kept['id']}/revisions")["items"]
    assert head["provisional"]

    staff.act(kept["id"], "revise", {**asked, "chassis": "SK-ZT52"})
    (head,) = staff.get(f"/v1/quotes/{kept['id']}/revisions")["items"]
    assert not head["provisional"]


def test_provisional_quote_is_issued_agreed_and_ordered_without_what_waits(staff: Staff) -> None:
    id = staff.accepted(**ENGINE, chassis=None, diagnoses=[])  # noqa: A001
    orders = staff.done("/v1/orders", {"revisions": [{"quote": id, "revision": 1}]}).json()["items"]

    covered = {
        cover["role"]
        for one in orders
        for line in one["order"]["lines"]
        for cover in line["covers"]
    }
    assert covered
    assert "fuel_clip" not in covered


def test_papers_name_the_machines_and_which_is_priced(staff: Staff) -> None:
    id = staff.issued(**ENGINE, chassis=None, diagnoses=[])  # noqa: A001
    path = f"/v1/quotes/{id}/sheet"

    page = html.fromstring(paper(staff, path, "text/html")).text_content()
    pages = PdfReader(BytesIO(paper(staff, path, "application/pdf"))).pages
    printed = " ".join("\n".join(one.extract_text() for one in pages).split())
    xml = etree.fromstring(paper(staff, path, "application/xml"))

    for told in (page, printed):
        assert all(name in told for name in NAMES)
        assert "Dunfallow Tarrowby" in told
        assert "the serial" not in told.partition("Provisional")[2][:60]
    notes = [note.text or "" for note in xml.findall("{*}Note")]
    assert any("do not know yet which machine the engine is in" in note for note in notes)
    assert not any("plate" in note for note in notes)


def test_bench_sheet_says_which_machine_its_steps_are_of(staff: Staff) -> None:
    id = staff.accepted(**ENGINE, chassis=None, diagnoses=[])  # noqa: A001

    page = html.fromstring(paper(staff, f"/v1/quotes/{id}/bench-sheet", "text/html"))

    assert "not known; priced as: Dunfallow Tarrowby" in page.text_content()


def test_photo_may_show_a_step_of_any_machine_that_it_may_be(staff: Staff) -> None:
    id = staff.issued(**ENGINE, chassis=None, diagnoses=[])  # noqa: A001
    path = f"/v1/quotes/{id}/photos"
    for number, component in enumerate(("rear_guard", "bonnet")):
        answer = staff.client.post(
            path,
            params={"subject": "step", "code": component},
            content=png(number),
            headers={"Idempotency-Key": f'"photo-{number}"', "Content-Type": "image/png"},
        )

        assert answer.status_code == 201, answer.text
