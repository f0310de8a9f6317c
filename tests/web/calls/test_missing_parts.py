"""Parts that no supplier has are named to everybody, and nothing is promised without them."""

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from tests.web.calls.conftest import Staff
from tests.web.calls.test_issuing import mended, with_catalogue
from tests.web.calls.test_papers import pdf_text

from kitwright.keeping import offer

MAKERS = r'makers = \["Tarnbeck", "Quellmar"\]'
VALVE = "H27-V-502"


@pytest.fixture
def bare(staff: Staff, tmp_path: Path) -> Iterator[Staff]:
    """Return somebody at the counter of a shop whose suppliers lack the engine's own parts."""
    folder = mended(tmp_path / "bare", "suppliers/ALDQ.toml", MAKERS, 'makers = ["Tarnbeck"]')
    with with_catalogue(staff, folder):
        yield staff


def missing_of(quote: Any) -> list[str]:
    return list(dict.fromkeys(one["need"]["part"] for one in quote["unfilled"]))


@pytest.mark.parametrize(
    ("language", "sentence", "when"),
    [
        ("en", "Not available at present", "not all of them are available"),
        ("de", "Zurzeit nicht erhältlich", "Nicht alle sind lieferbar"),
    ],
)
def test_missing_part_is_named_and_no_day_is_promised(
    bare: Staff, language: str, sentence: str, when: str
) -> None:
    id = bare.quote(language=language)  # noqa: A001

    quote = bare.get(f"/v1/quotes/{id}")["quote"]

    assert quote["orders"]
    assert quote["parts_by"] is None
    notes = [one for one in quote["notes"] if one["code"] == "part-not-available"]
    assert [one["facts"]["missing"] for one in notes] == missing_of(quote)
    assert VALVE in missing_of(quote)
    assert all(sentence in one["text"] for one in notes)
    path = f"/v1/quotes/{id}/sheet"
    page, pdf = (
        bare.client.get(path, headers={"Accept": form}) for form in ("text/html", "application/pdf")
    )
    assert when in page.text
    for text in (page.text, pdf_text(pdf.content)):
        assert VALVE in text
        assert " ".join(sentence.split()[:3]) in " ".join(text.split())


def test_quote_with_a_missing_part_is_not_issued(bare: Staff) -> None:
    id = bare.quote()  # noqa: A001

    for body in (None, {"keep_prices": "The customer waits."}):
        refused = bare.refused(f"/v1/quotes/{id}/issue", body, bare.tag(id))

        (error,) = refused["errors"]
        assert (refused["status"], error["code"]) == (409, "parts-not-available")
        assert VALVE in error["detail"]
    assert bare.get(f"/v1/quotes/{id}")["state"] == "draft"


def test_quote_whose_missing_parts_the_customer_brings_is_issued(bare: Staff) -> None:
    missing = missing_of(bare.get(f"/v1/quotes/{bare.quote()}")["quote"])

    id = bare.issued(customer_parts=[{"item": one} for one in missing])  # noqa: A001

    quote = bare.get(f"/v1/quotes/{id}")["quote"]
    assert (quote["unfilled"], quote["notes"]) == ([], [])
    assert quote["parts_by"] is not None


def test_work_is_not_started_without_a_missing_part(
    bare: Staff, monkeypatch: pytest.MonkeyPatch
) -> None:
    # issued and agreed to before such quotes were refused
    with monkeypatch.context() as before:
        before.setattr(offer, "missing_parts", lambda _: ())
        id = bare.accepted()  # noqa: A001
    bare.done("/v1/orders", {"revisions": [{"quote": id, "revision": 1}]})

    assert "start" not in bare.get(f"/v1/quotes/{id}")["acts"]
    refused = bare.refused(f"/v1/quotes/{id}/start", None, bare.tag(id))
    (error,) = refused["errors"]
    assert error["code"] == "not-in-this-state"
    assert VALVE in error["detail"]
