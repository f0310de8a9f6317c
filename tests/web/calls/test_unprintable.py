"""Names that no font here has: nobody is turned away, and nothing is hidden."""

from pathlib import Path
from typing import Any

import pytest
from tests.documents.made_font import make_font
from tests.web.calls.conftest import Staff
from tests.web.calls.test_papers import PAGE, pdf_text, taken

from kitwright.documents.fonts import Fonts
from kitwright.documents.press import TEMPLATES, Press
from kitwright.documents.printable import UNKNOWN

NAME = "山田太郎"
TOLD = "stands for a character that can't be printed"


def use(fonts: Fonts, monkeypatch: pytest.MonkeyPatch) -> None:
    """Let a machine have other fonts than this one."""
    press = Press(TEMPLATES, fonts)
    monkeypatch.setattr("kitwright.documents.papers.fonts", lambda: fonts)
    monkeypatch.setattr("kitwright.documents.quote_pdf.press", lambda: press)


@pytest.fixture
def bare(monkeypatch: pytest.MonkeyPatch) -> None:
    use(Fonts(machine=False), monkeypatch)


def places(record: Any) -> list[tuple[str, str]]:
    return [(one["pointer"], one["characters"]) for one in record["unprintable"]]


@pytest.mark.usefixtures("bare")
def test_customer_is_kept_and_the_counter_is_told(staff: Staff) -> None:
    body = {"name": NAME, "address": "12 Mill Row\n東京"}

    answer = staff.post("/v1/customers", body)

    assert answer.status_code == 201
    kept = answer.json()
    assert (kept["name"], kept["address"]) == (NAME, "12 Mill Row\n東京")
    assert places(kept) == [("/name", NAME), ("/address", "東京")]
    assert "font" in kept["unprintable"][0]["detail"]
    assert staff.get(f"/v1/customers/{kept['id']}") == kept
    # written in two ways: the letters of the first are still told
    path, tag = f"/v1/customers/{kept['id']}", answer.headers["ETag"]
    changed = staff.client.put(
        path, json={"name": f"Yamada Tarō ({NAME[:2]})"}, headers={"If-Match": tag}
    )
    assert places(changed.json()) == [("/name", NAME[:2])]


@pytest.mark.usefixtures("bare")
def test_names_that_are_printed_are_not_told_of(staff: Staff) -> None:
    for name in ("Ada Pellow", "Nguyễn Thị Hương", "Аԥсуа", "Ἀθηνᾶ", "שלום כהן"):
        assert staff.done("/v1/customers", {"name": name}).json()["unprintable"] == []


def test_font_of_the_machine_prints_the_name(
    staff: Staff, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    use(Fonts(machine=False, folders=[make_font(tmp_path / "fonts", NAME)]), monkeypatch)
    kept = staff.done("/v1/customers", {"name": NAME}).json()

    assert kept["unprintable"] == []
    id = staff.issued(customer=kept["id"])  # noqa: A001
    printed = pdf_text(taken(staff, f"/v1/quotes/{id}/sheet", "application/pdf").content)
    assert NAME in printed
    assert UNKNOWN not in printed
    assert TOLD not in printed


@pytest.mark.usefixtures("bare")
def test_printed_quote_marks_what_it_can_not_show_and_the_page_shows_it(staff: Staff) -> None:
    customer = staff.done("/v1/customers", {"name": f"{NAME} (Yamada Tarō)"}).json()["id"]
    id = staff.issued(customer=customer, complaint=f"Smokes. {NAME[0]}!")  # noqa: A001

    printed = pdf_text(taken(staff, f"/v1/quotes/{id}/sheet", "application/pdf").content)
    page = taken(staff, f"/v1/quotes/{id}/sheet", PAGE).text

    assert f"{UNKNOWN * 4} (Yamada Tarō)" in " ".join(printed.split())
    assert TOLD in " ".join(printed.split())
    assert f"{NAME} (Yamada Tarō)" in page
    assert places(staff.get(f"/v1/quotes/{id}")) == [("/request/complaint", NAME[0])]


@pytest.mark.usefixtures("bare")
def test_quote_tells_where_in_its_request(staff: Staff) -> None:
    asked = {
        "family": "QM-H27",
        "jobs": [{"job": "J-LASH", "cylinder": 1}],
        "discounts": [{"percent": "5", "reason": f"regular {NAME}", "by": "Ada"}],
    }

    kept = staff.done("/v1/quotes", asked).json()

    assert places(kept) == [("/request/discounts/0/reason", NAME)]
    revised = staff.act(kept["id"], "revise", {**asked, "discounts": [], "complaint": "山"})
    assert places(revised) == [("/request/complaint", "山")]
    staff.act(kept["id"], "issue")
    beside = staff.act(kept["id"], "revise", asked)
    assert places(beside) == [
        ("/request/complaint", "山"),
        ("/draft/request/discounts/0/reason", NAME),
    ]


@pytest.mark.usefixtures("bare")
def test_machine_is_kept_and_the_counter_is_told(staff: Staff) -> None:
    kept = staff.done("/v1/machines", {"name": NAME, "family": "QM-H27"}).json()

    assert places(kept) == [("/name", NAME)]
    assert staff.get(f"/v1/machines/{kept['id']}") == kept
