"""The quote's page in a browser: on a telephone, in the dark, by keyboard, aloud and on paper."""

from __future__ import annotations

import io
import re
from collections.abc import Callable
from functools import partial
from typing import Any

import pytest
from axe_playwright_python.sync_playwright import Axe
from msgspec import structs
from playwright.sync_api import Browser, BrowserContext, Page, Request, Route
from pypdf import PdfReader
from tests.documents.offers import (
    OPEN,
    case,
    everything,
    for_a_test,
    long,
    of_findings,
    shops,
    shown,
    told,
)
from tests.documents.test_words_before_yes import COURSES, asked, in_state

from kitwright.documents.notice_page import Notice, notice_page
from kitwright.documents.page_actions import PageField, PageState
from kitwright.documents.quote_page import quote_page
from kitwright.documents.web_page import page_policy, style
from kitwright.language.scribe import Scribe

ORIGIN = "https://shop.example"
EVERY_RULE = {
    "type": "tag",
    "values": ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice"],
}
PHONE = {"width": 360, "height": 800}
WRONG = structs.replace(
    OPEN,
    wrong={PageField.who: "Tell us your name, please.", PageField.limit: "That is too little."},
)
PAGES: dict[str, Callable[[], str]] = {
    "findings": lambda: shown(of_findings()),
    "test": lambda: shown(for_a_test()),
    "long": lambda: shown(long()),
    "wrong": lambda: shown(case("s50-walk-behind-breather-discount-and-prepaid"), WRONG),
    "no-serial": lambda: shown(case("v68-zero-turn-one-head-no-serial")),
    "exempt": lambda: shown(case("v68-zero-turn-exempt"), told(PageState.accepted)),
    "newer": lambda: shown(of_findings(), told(PageState.superseded, newer_url="/q/newer")),
    "unknown": lambda: shown(case("v68-zero-turn-stem-seals-tax-unknown"), None),
    "unbroken": lambda: everything("W" * 1000),
    "notice": lambda: notice_page(
        Notice.accepted, Scribe("en"), shop=shops()["orchard"], quote_url="/q/token"
    ),
}


def drawn(name: str, language: str, **more: Any) -> str:
    """Return the page of a quote in a state, with all that its customer may choose."""
    quote = asked("hire-yard", "TB-V68", "HG-GALLERY", language=language, **more)
    assert quote is not None
    actions, envelope = in_state(quote, name)
    shop = shops()["hire-yard"]
    return quote_page(quote, envelope, Scribe(language), shop=shop, actions=actions)


for _state in ("open", "after ticks", "form errors", "other total", "declined", "agreed"):
    PAGES[_state] = partial(drawn, _state, "en")
for _language in ("en", "de"):
    PAGES[f"change, {_language}"] = partial(drawn, "change while apart", _language)
    PAGES[f"ways, {_language}"] = partial(drawn, "open", _language, courses=COURSES)

USUAL = [name for name in PAGES if name != "unbroken"]
ON_PAPER = [name for name in USUAL if name not in ("notice", "unknown")]


class Desk:
    """Serves one page to a browser, as the service would, and keeps what it was asked."""

    def __init__(self, page: str) -> None:
        self.page = page
        self.asked: list[Request] = []

    def answer(self, route: Route) -> None:
        self.asked.append(route.request)
        headers = {"content-security-policy": page_policy(self.page)}
        route.fulfill(body=self.page, content_type="text/html; charset=utf-8", headers=headers)


def opened(context: BrowserContext, desk: Desk) -> Page:
    page = context.new_page()
    page.route("**/*", desk.answer)
    page.goto(ORIGIN + "/q/token")
    return page


def is_post(request: Request) -> bool:
    return request.method == "POST"


def measured(page: Page, script: str) -> Any:
    """Return what a script of the test measures; the page's own scripts stay off."""
    return page.evaluate(script)


@pytest.mark.parametrize(
    # the narrowest that must hold (WCAG 2.2, 1.4.10), and one with columns beside each other
    ("width", "scheme"),
    [(320, "dark"), (1200, "light")],
)
@pytest.mark.parametrize("name", PAGES)
def test_page_never_scrolls_sideways(browser: Browser, name: str, width: int, scheme: Any) -> None:
    size = {"width": width, "height": 800}
    with browser.new_context(
        viewport=size,  # type: ignore[arg-type]
        color_scheme=scheme,
        java_script_enabled=False,
    ) as context:
        desk = Desk(PAGES[name]())
        complaints: list[str] = []
        page = context.new_page()
        page.on("console", lambda message: complaints.append(message.text))
        page.route("**/*", desk.answer)
        page.goto(ORIGIN + "/q/token")
        wide = measured(
            page,
            """() => [document.documentElement.scrollWidth, ...[...document.querySelectorAll('*')]
                .filter(one => one.getBoundingClientRect().right > innerWidth + 0.5)
                .map(one => one.tagName)]""",
        )
        assert wide == [width]
        # the style is let in by the policy, nothing else was asked for, and nobody complains
        ground = measured(page, "() => getComputedStyle(document.body).backgroundColor")
        assert ground == {"light": "rgb(251, 250, 246)", "dark": "rgb(25, 26, 24)"}[scheme]
        assert [one.url for one in desk.asked if "favicon" not in one.url] == [ORIGIN + "/q/token"]
        assert complaints == []


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("name", USUAL)
def test_page_keeps_nobody_out(browser: Browser, name: str, scheme: Any) -> None:
    with browser.new_context(viewport=PHONE, color_scheme=scheme) as context:  # type: ignore[arg-type]
        page = context.new_page()
        page.set_content(PAGES[name]())
        measured(page, "() => document.querySelectorAll('details').forEach(d => d.open = true)")
        # in the dark only the colours differ
        rules = EVERY_RULE if scheme == "light" else {"type": "rule", "values": ["color-contrast"]}
        found = Axe().run(page, options={"runOnly": rules})
        assert found.violations_count == 0, found.generate_report()
        assert len(found.response["passes"]) > (15 if scheme == "light" else 0)
        # What axe could not decide is looked at elsewhere: letters in a picture (the colours by
        # the test of contrast), and column heads over row heads, which are meant.
        left = [
            (one["id"], each["html"])
            for one in found.response["incomplete"]
            for each in one["nodes"]
        ]
        assert [
            one for one in left if one[0] != "th-has-data-cells" and not one[1].startswith("<text ")
        ] == []


def luminance(colour: str) -> float:
    """Return the relative luminance of `#rrggbb`, as WCAG 2.2 defines it."""
    parts = [int(colour[at : at + 2], 16) / 255 for at in (1, 3, 5)]
    linear = [
        part / 12.92 if part <= 0.04045 else ((part + 0.055) / 1.055) ** 2.4 for part in parts
    ]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


def contrast(one: str, other: str) -> float:
    """Return the contrast ratio of two colours, as WCAG 2.2 defines it."""
    low, high = sorted((luminance(one), luminance(other)))
    return (high + 0.05) / (low + 0.05)


def test_contrast_knows_black_on_white() -> None:
    assert contrast("#000000", "#ffffff") == pytest.approx(21)
    # the lightest grey that passes on white, as published
    assert contrast("#767676", "#ffffff") == pytest.approx(4.54, abs=0.01)


def test_style_has_colours_that_stand_out_in_every_scheme() -> None:
    schemes = re.findall(r":root \{(.*?)\}", style(), re.DOTALL)
    assert len(schemes) == 3
    for scheme in schemes:
        colour = dict(re.findall(r"--([a-z-]+): (#[0-9a-f]{6});", scheme))
        grounds = [colour[name] for name in ("paper", "card", "tint", "alarm-tint")]
        for ground in grounds:
            for ink in ("ink", "soft", "mark", "alarm"):
                assert contrast(colour[ink], ground) >= 4.5, (ink, ground)
            assert contrast(colour["edge"], ground) >= 3, ground
        if "on-mark" in colour:
            assert contrast(colour["on-mark"], colour["mark"]) >= 4.5


@pytest.mark.parametrize("name", USUAL)
def test_page_has_targets_that_a_thumb_can_hit(browser: Browser, name: str) -> None:
    with browser.new_context(viewport=PHONE, java_script_enabled=False) as context:  # type: ignore[arg-type]
        page = opened(context, Desk(PAGES[name]()))
        # a box is hit by its label, which holds it
        boxes = "[type=checkbox], [type=radio]"
        targets_of = f"a, button, input:not({boxes}), label:has({boxes}), textarea, summary"
        found = page.locator(targets_of).all()
        # what is folded comes to sight with its heading
        targets = [one for one in found if one.is_visible()]
        sizes = [(one.bounding_box(), one.inner_text()) for one in targets]
        assert sizes
        assert [
            text for box, text in sizes if box is None or min(box["height"], box["width"]) < 44
        ] == []


def test_page_is_answered_by_keyboard_without_scripts(browser: Browser) -> None:
    with browser.new_context(viewport=PHONE, java_script_enabled=False) as context:  # type: ignore[arg-type]
        desk = Desk(PAGES["findings"]())
        page = opened(context, desk)
        order = []
        for _ in range(16):
            page.keyboard.press("Tab")
            at, width = measured(
                page,
                """() => { const one = document.activeElement, style = getComputedStyle(one);
                    return [one.id || one.innerText, parseFloat(style.outlineWidth)
                        * (style.outlineStyle === 'none' ? 0 : 1)]; }""",
            )
            order.append(at)
            assert width >= 3, at
            if at == "who":
                page.keyboard.type("Mira Exämple")
            if at == "Set a higher limit":
                page.keyboard.press("Enter")
            if at == "limit":
                page.keyboard.type("700")
                break
        assert order[0] == "Yes, go ahead"
        assert order[-3:] == ["who", "Set a higher limit", "limit"]
        with page.expect_request(is_post) as awaited:
            page.keyboard.press("Enter")
        posted = awaited.value
        assert posted.url == ORIGIN + "/q/token/accept"
        assert posted.headers["content-type"] == "application/x-www-form-urlencoded"
        assert posted.post_data == "who=Mira+Ex%C3%A4mple&limit=700"


def test_page_posts_a_no_with_its_reason(browser: Browser) -> None:
    with browser.new_context(viewport=PHONE, java_script_enabled=False) as context:  # type: ignore[arg-type]
        desk = Desk(PAGES["findings"]())
        page = opened(context, desk)
        page.get_by_role("link", name="No, $85.00 owed").click()
        page.get_by_label("Your reason").fill("Too dear")
        with page.expect_request(is_post) as awaited:
            page.get_by_role("button", name="No, $85.00 owed").click()
        posted = awaited.value
        assert posted.url == ORIGIN + "/q/token/decline"
        assert posted.post_data == "reason=Too+dear"


def test_page_asks_for_a_name_before_it_posts(browser: Browser) -> None:
    with browser.new_context(viewport=PHONE, java_script_enabled=False) as context:  # type: ignore[arg-type]
        desk = Desk(PAGES["findings"]())
        page = opened(context, desk)
        page.locator("button", has_text="go ahead for").click()
        page.wait_for_function("document.activeElement.id === 'who'")
        assert [one.method for one in desk.asked if "favicon" not in one.url] == ["GET"]


def printed(browser: Browser, html: str, paper: str) -> list[str]:
    with browser.new_context(color_scheme="dark", java_script_enabled=False) as context:
        page = context.new_page()
        page.set_content(html)
        read_back = PdfReader(io.BytesIO(page.pdf(format=paper)))
        return [each.extract_text() for each in read_back.pages]


@pytest.mark.parametrize("paper", ["A4", "Letter"])
def test_page_prints_totals_on_the_page_of_the_last_line(browser: Browser, paper: str) -> None:
    # as many lines more as a page has room for, so that its end falls everywhere in the totals
    made = case("v68-zero-turn-head-gaskets")
    followed = 0
    for more in range(0, 30, 3):
        lines = [*made["lines"][:1] * more, *made["lines"]]
        pages = printed(browser, shown(made | {"lines": lines}), paper)
        (at,) = [page for page in pages if "Total before tax" in page]
        above, _, below = at.partition("Total before tax")
        assert "Shipping and order fees" in " ".join(above.split())
        assert "Deposit" in below
        followed += above.count("\n") < 12
    # now and then there is little above them, so the end of a page was close
    assert followed


@pytest.mark.parametrize("name", ON_PAPER)
def test_page_prints_what_paper_can_hold(browser: Browser, name: str) -> None:
    together = "\n".join(printed(browser, PAGES[name](), "A4"))
    assert "Your name" not in together
    assert "Ask first" not in together
    is_signed = "Signature" in together or "Unterschrift" in together
    assert is_signed is ('action="' in PAGES[name]())
    # what is folded on a screen is open on paper
    assert ("A strong hiss" in together) is (name in ("findings", "newer"))
    assert "1 / " in together
