"""The pages that end a visit, in a browser: for everybody, in plain words of one language."""

import re
from collections.abc import Callable, Iterator
from html import unescape
from pathlib import Path
from typing import Any

import pytest
from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import Browser, Page
from tests.desks import DAY, client_of, open_counter
from tests.web.calls.conftest import Staff

from kitwright.app import make_app, make_service
from kitwright.settings import Settings, built_in_catalog

HTML = {"Accept": "text/html", "Authorization": ""}
EVERY_RULE = {
    "type": "tag",
    "values": ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice"],
}
PHONE: Any = {"width": 320, "height": 800}
UNBOOKED = {"unbooked": "Counted at the bench."}
MADE_UP = re.compile(
    r"(?<!\. )\bNone\b|\bTrue\b|\bFalse\b|Decimal\(|datetime|\{[a-z_]+\}|\b[a-z]+_[a-z_]+\b"
    r"|\b(?:superseded|idempotency|revoked|statement|authorisation)\b"
)
"""Words of programs and of the shop's own bookkeeping; a sentence may begin with "None"."""
OF_ENGLISH = re.compile(r"\b(?:the|your|you|and|with|until|is|for|of)\b", re.IGNORECASE)
"""Words that no German page has; German has other words for each."""


@pytest.fixture(scope="module")
def tab(browser: Browser) -> Iterator[Page]:
    with browser.new_context(viewport=PHONE) as context:
        yield context.new_page()


@pytest.fixture
def orchard(tmp_path: Path) -> Iterator[Staff]:
    """Return somebody at the counter of a shop that knows contracts made from afar."""
    service = make_service(Settings(catalog=built_in_catalog(), shop="orchard"), lambda: DAY)
    with (
        open_counter(service, tmp_path / "orchard") as counter,
        client_of(make_app(counter.desk), counter.key) as client,
    ):
        yield Staff(counter, client)


def offered(staff: Staff, language: str) -> tuple[str, str]:
    id = staff.issued(language=language, diagnostic_done=True)  # noqa: A001
    return id, staff.done(f"/v1/quotes/{id}/links", {}, staff.tag(id)).json()["path"]


def agreed(staff: Staff, language: str) -> tuple[str, str]:
    id, path = offered(staff, language)  # noqa: A001
    answer = staff.client.post(
        f"{path}/accept",
        json={"who": "M. Ferrier", "start_early": True},
        headers={"Accept": "application/json"},
    )
    assert answer.is_success, answer.text
    return id, path


def begun(staff: Staff, language: str) -> tuple[str, str]:
    id, path = agreed(staff, language)  # noqa: A001
    staff.done("/v1/orders", {"revisions": [{"quote": id, "revision": 1}]})
    staff.act(id, "start")
    return id, path


def finished(staff: Staff, language: str) -> str:
    id, path = begun(staff, language)  # noqa: A001
    staff.act(id, "finish", UNBOOKED)
    return path


def collected(staff: Staff, language: str) -> str:
    id, path = begun(staff, language)  # noqa: A001
    staff.act(id, "finish", UNBOOKED)
    gross = staff.get(f"/v1/quotes/{id}")["gross"]["amount"]
    staff.act(id, "payments", {"amount": gross, "means": "card", "by": "Till"})
    staff.act(id, "collected", {"collector": "A. Customer", "old_parts": True, "by": "Sam"})
    return path


def stopped(staff: Staff, language: str, machine: str = "boxes") -> str:
    id, path = begun(staff, language)  # noqa: A001
    steps = staff.get(f"/v1/quotes/{id}/revisions/1")["quote"]["work_plan"]["steps"]
    staff.act(id, "stop", {"step": steps[-1]["step"], "machine": machine, **UNBOOKED})
    return path


def put_together(staff: Staff, language: str) -> str:
    return stopped(staff, language, "put_together")


def declined(staff: Staff, language: str) -> str:
    _, path = offered(staff, language)
    staff.done(f"{path}/decline", {})
    return path


def expired(staff: Staff, language: str) -> str:
    _, path = offered(staff, language)
    staff.counter.clock.pass_days(staff.counter.desk.service.workshop.shop.quote.valid_days + 1)
    return path


def taken_back(staff: Staff, language: str) -> str:
    id, path = offered(staff, language)  # noqa: A001
    staff.act(id, "withdraw")
    return path


def replaced(staff: Staff, language: str) -> str:
    id, path = offered(staff, language)  # noqa: A001
    jobs = {"family": "QM-H27", "jobs": [{"job": "J-LASH", "cylinder": 1}], "language": language}
    staff.act(id, "revise", jobs)
    staff.act(id, "issue")
    return path


def withdrawn_from(staff: Staff, language: str) -> str:
    _, path = agreed(staff, language)
    staff.client.post(f"{path}/withdraw", json={"who": "M. Ferrier"})
    return path


def gone(staff: Staff, language: str) -> str:
    path = expired(staff, language)
    staff.counter.clock.pass_days(400)
    return path


ENDS: dict[str, Callable[[Staff, str], str]] = {
    one.__name__: one
    for one in (
        finished,
        collected,
        stopped,
        put_together,
        declined,
        expired,
        taken_back,
        replaced,
        withdrawn_from,
        gone,
    )
}
OFFERING = re.compile(r'class="yes"|action="[^"]*accept"')


@pytest.mark.parametrize("language", ["en", "de"])
@pytest.mark.parametrize("end", ENDS)
def test_end_of_a_visit_is_for_everybody_in_plain_words(
    orchard: Staff, tab: Page, end: str, language: str
) -> None:
    path = ENDS[end](orchard, language)
    if end == "gone":
        # who opens it is not known any longer: it speaks the language of the shop
        language = orchard.counter.desk.service.workshop.shop.language
    answer = orchard.client.get(path, headers={**HTML, "Accept-Language": language})
    assert answer.headers["content-type"].startswith("text/html")
    assert f'<html lang="{language}"' in answer.text
    assert not OFFERING.search(answer.text)

    tab.set_content(answer.text)
    tab.evaluate("() => document.querySelectorAll('details').forEach(d => d.open = true)")
    found = Axe().run(tab, options={"runOnly": EVERY_RULE})
    assert found.violations_count == 0, found.generate_report()
    assert tab.evaluate("() => document.documentElement.scrollWidth") == PHONE["width"]

    words = " ".join(unescape(tab.inner_text("body")).split())
    assert len(words) > 80
    assert [words[one.start() - 40 : one.end() + 20] for one in MADE_UP.finditer(words)] == []
    if language == "de":
        assert [one.group() for one in OF_ENGLISH.finditer(words)] == []
