"""The pages that end a visit, in a browser: for everybody, in plain words of one language."""

import re
from collections.abc import Iterator
from html import unescape
from typing import Any

import pytest
from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import Browser, Page
from tests.web.calls.conftest import Staff
from tests.web.calls.endings import ENDS

HTML = {"Accept": "text/html", "Authorization": ""}
EVERY_RULE = {
    "type": "tag",
    "values": ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice"],
}
PHONE: Any = {"width": 320, "height": 800}
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


OFFERING = re.compile(r'class="yes"|action="[^"]*accept"')


@pytest.mark.parametrize("language", ["en", "de"])
@pytest.mark.parametrize("end", ENDS)
def test_end_of_a_visit_is_for_everybody_in_plain_words(
    orchard: Staff, tab: Page, end: str, language: str
) -> None:
    path = ENDS[end](orchard, language)
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
