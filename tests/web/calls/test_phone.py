"""A customer with a telephone, without scripts: reads the real service's page, and says yes."""

import re
from typing import Any

import httpx
import pytest
from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import Browser
from tests.desks import Live

PHONE: Any = {"width": 360, "height": 800}
ASKED = {
    "family": "QM-H27",
    "serial": 2140077,
    "chassis": "PW-G5",
    "diagnoses": [{"code": "VALVE-EX", "cylinder": 1}],
    "diagnostic_done": True,
}


class Offered:
    """A quote that is offered by the real service, in a language."""

    def __init__(self, running: Live, language: str) -> None:
        headers = {"Authorization": f"Bearer {running.key}"}
        self.client = httpx.Client(base_url=running.address, headers=headers, timeout=30)
        made = self._post("/v1/quotes", f"phone-{language}", {**ASKED, "language": language})
        self.path = made.headers["Location"]
        issued = self._post(f"{self.path}/issue", f"issue-{language}", None, made.headers["ETag"])
        link = self._post(f"{self.path}/links", f"link-{language}", {}, issued.headers["ETag"])
        self.page = running.address + link.json()["path"]

    def _post(self, path: str, key: str, body: Any, tag: str | None = None) -> httpx.Response:
        headers = {"Idempotency-Key": f'"{key}"', **({"If-Match": tag} if tag else {})}
        answer = self.client.post(path, json=body, headers=headers)
        assert answer.is_success, answer.text
        return answer

    def now(self) -> Any:
        """Return the quote as it is now."""
        return self.client.get(self.path).json()


@pytest.mark.parametrize("language", ["en", "de"])
def test_customer_reads_and_accepts_on_a_telephone(
    running: Live, browser: Browser, language: str
) -> None:
    offered = Offered(running, language)
    with browser.new_context(viewport=PHONE, java_script_enabled=False, locale=language) as context:
        asked: list[str] = []
        page = context.new_page()
        page.on("request", lambda request: asked.append(request.url))
        page.goto(offered.page)
        gross = offered.now()["gross"]["amount"]
        told = re.sub(r"[^0-9]", "", page.inner_text("main"))
        assert gross.replace(".", "") in told
        page.fill("input[name=who]", "Mira Exämple")
        page.locator("form[action$=accept] button.yes").click()
        page.wait_for_url(offered.page)
        assert "Mira Exämple" in page.inner_text("main")
        assert page.locator("form").count() == 0

    assert {url.split("/v1/")[0] for url in asked} == {running.address}
    now = offered.now()
    assert (now["state"], now["agreed"]) == ("accepted", 1)
    given = offered.client.get(f"{offered.path}/authorisations").json()["authorisations"]
    offered.client.close()
    assert [(one["who"], one["means"]) for one in given] == [("Mira Exämple", "link")]


@pytest.mark.parametrize("paper", ["sheet", "bench-sheet", "pick-list"])
@pytest.mark.parametrize("language", ["en", "de"])
def test_page_keeps_nobody_out(running: Live, browser: Browser, language: str, paper: str) -> None:
    headers = {"Authorization": f"Bearer {running.key}"}
    with httpx.Client(base_url=running.address, headers=headers) as client:
        made = client.post(
            "/v1/quotes",
            json={**ASKED, "language": language},
            headers={"Idempotency-Key": f'"axe-{language}-{paper}"'},
        )
        page_of = client.get(f"{made.headers['Location']}/{paper}", headers={"Accept": "text/html"})
    with browser.new_context(viewport=PHONE) as context:
        page = context.new_page()
        page.set_content(page_of.text)
        found = Axe().run(page)
    assert found.response["violations"] == []
