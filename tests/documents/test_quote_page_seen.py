"""The quote's page in a browser: on a telephone, in the dark, by keyboard, aloud and on paper."""

from __future__ import annotations

import io
import os
import re
from collections.abc import Callable, Iterator
from functools import cache, partial
from itertools import pairwise
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
PAGES["open, de"] = partial(drawn, "open", "de")
for _language in ("en", "de"):
    PAGES[f"change, {_language}"] = partial(drawn, "change while apart", _language)
    PAGES[f"ways, {_language}"] = partial(drawn, "open", _language, courses=COURSES)

USUAL = [name for name in PAGES if name != "unbroken"]
ON_PAPER = [name for name in USUAL if name not in ("notice", "unknown")]
APART = 3 if os.environ.get("KITWRIGHT_LONG") == "1" else 6
"""Lines between two pages of which the ends are looked at."""


@cache
def page_of(name: str) -> str:
    return PAGES[name]()


class Desk:
    """Serves pages to a tab of a browser, as the service would, and keeps what it was asked."""

    def __init__(self, context: BrowserContext) -> None:
        self.tab = context.new_page()
        self.html = ""
        self.asked: list[Request] = []
        self.complaints: list[str] = []
        self.tab.on("console", lambda message: self.complaints.append(message.text))
        self.tab.route("**/*", self.answer)

    def answer(self, route: Route) -> None:
        self.asked.append(route.request)
        headers = {"content-security-policy": page_policy(self.html)}
        route.fulfill(body=self.html, content_type="text/html; charset=utf-8", headers=headers)

    def open(self, name: str) -> Page:
        """Return the tab with a page, opened anew."""
        self.html = page_of(name)
        self.asked.clear()
        self.complaints.clear()
        self.tab.goto(ORIGIN + "/q/token")
        return self.tab


@pytest.fixture(scope="module")
def phone(browser: Browser) -> Iterator[Desk]:
    """Return a telephone on which scripts are off."""
    with browser.new_context(viewport=PHONE, java_script_enabled=False) as context:  # type: ignore[arg-type]
        yield Desk(context)


@pytest.fixture(scope="module")
def inspected(browser: Browser) -> Iterator[Page]:
    """Return a telephone's tab that takes the inspector's scripts."""
    with browser.new_context(viewport=PHONE) as context:  # type: ignore[arg-type]
        yield context.new_page()


@pytest.fixture(scope="module")
def press(browser: Browser) -> Iterator[Page]:
    """Return a tab to print from."""
    with browser.new_context(color_scheme="dark", java_script_enabled=False) as context:
        yield context.new_page()


def is_post(request: Request) -> bool:
    return request.method == "POST"


def measured(page: Page, script: str) -> Any:
    """Return what a script of the test measures; the page's own scripts stay off."""
    return page.evaluate(script)


@pytest.mark.parametrize("width", [320, 390, 700, 1200])
@pytest.mark.parametrize("name", ["open", "open, de", "ways, en", "ways, de"])
def test_answers_fill_their_rows_and_boxes_stand_apart(phone: Desk, name: str, width: int) -> None:
    page = phone.open(name)
    page.set_viewport_size({"width": width, "height": 800})
    try:
        rows: dict[float, list[float]] = {}
        measures = """() => [...document.querySelectorAll('%s')].map(one => {
            const at = one.getBoundingClientRect(); return [at.top, at.width, at.bottom]; })"""
        for top, wide, _ in measured(page, measures % ".answers a"):
            rows.setdefault(top, []).append(wide)
        together = [sum(row) + 8 * (len(row) - 1) for row in rows.values()]
        assert max(together) - min(together) < 4
        named = measured(page, measures % "label.tick > span")
        assert named
        assert all(top - before[2] >= 8 for before, (top, *_) in pairwise(named))
    finally:
        page.set_viewport_size(PHONE)  # type: ignore[arg-type]


GROUNDS = {"light": "rgb(251, 250, 246)", "dark": "rgb(25, 26, 24)"}


@pytest.mark.parametrize("name", PAGES)
def test_page_never_scrolls_sideways(phone: Desk, name: str) -> None:
    page = phone.open(name)
    # the narrowest that must hold (WCAG 2.2, 1.4.10), and one with columns beside each other
    looks: tuple[tuple[int, Any], ...] = ((320, "dark"), (1200, "light"))
    try:
        for width, scheme in looks:
            page.set_viewport_size({"width": width, "height": 800})
            page.emulate_media(color_scheme=scheme)
            wide = measured(
                page,
                """() => [document.documentElement.scrollWidth,
                    ...[...document.querySelectorAll('*')]
                    .filter(one => one.getBoundingClientRect().right > innerWidth + 0.5)
                    .map(one => one.tagName)]""",
            )
            assert wide == [width]
            ground = measured(page, "() => getComputedStyle(document.body).backgroundColor")
            assert ground == GROUNDS[scheme]
    finally:
        page.set_viewport_size(PHONE)  # type: ignore[arg-type]
        page.emulate_media(color_scheme="light")
    # the style is let in by the policy, nothing else was asked for, and nobody complains
    assert [one.url for one in phone.asked if "favicon" not in one.url] == [ORIGIN + "/q/token"]
    assert phone.complaints == []


@pytest.mark.parametrize("name", USUAL)
def test_page_keeps_nobody_out(inspected: Page, name: str) -> None:
    inspected.set_content(page_of(name))
    measured(inspected, "() => document.querySelectorAll('details').forEach(d => d.open = true)")
    # in the dark only the colours differ
    looks: tuple[tuple[Any, dict[str, Any], int], ...] = (
        ("light", EVERY_RULE, 15),
        ("dark", {"type": "rule", "values": ["color-contrast"]}, 0),
    )
    for scheme, rules, fewest in looks:
        inspected.emulate_media(color_scheme=scheme)
        found = Axe().run(inspected, options={"runOnly": rules})
        assert found.violations_count == 0, found.generate_report()
        assert len(found.response["passes"]) > fewest
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
def test_page_has_targets_that_a_thumb_can_hit(phone: Desk, name: str) -> None:
    sizes = measured(
        phone.open(name),
        # a box is hit by its label, which holds it; what is folded comes to sight with its heading
        """() => {
            const boxes = '[type=checkbox], [type=radio]';
            const targets = ['a', 'button', `input:not(${boxes})`, `label:has(${boxes})`,
                'textarea', 'summary'];
            const shown = {contentVisibilityAuto: true, visibilityProperty: true};
            return [...document.querySelectorAll(targets.join(', '))].filter(
                one => one.checkVisibility(shown)
            ).map(one => {
                const box = one.getBoundingClientRect();
                return [Math.min(box.width, box.height), one.innerText];
            }); }""",
    )
    assert sizes
    assert [text for least, text in sizes if least < 44] == []


@pytest.mark.parametrize("width", [320, 360, 1200])
@pytest.mark.parametrize("name", ["open, de", "change, de", "ways, de", "open"])
def test_answers_are_never_broken_within_a_word(phone: Desk, name: str, width: int) -> None:
    page = phone.open(name)
    page.set_viewport_size({"width": width, "height": 800})
    try:
        words = measured(
            page,
            r"""() => [...document.querySelectorAll('.answers a')].flatMap(answer => {
                const node = answer.firstChild, box = answer.getBoundingClientRect();
                return [...node.data.matchAll(/\S+/g)].map(({0: word, index}) => {
                    const range = document.createRange();
                    range.setStart(node, index);
                    range.setEnd(node, index + word.length);
                    const [first, ...more] = range.getClientRects();
                    return [word, more.length, first.left >= box.left && first.right <= box.right];
                }); })""",
        )
    finally:
        page.set_viewport_size(PHONE)  # type: ignore[arg-type]
    assert len(words) > 4
    assert [word for word, breaks, is_inside in words if breaks or not is_inside] == []


def test_page_is_answered_by_keyboard_without_scripts(browser: Browser) -> None:
    with browser.new_context(viewport=PHONE, java_script_enabled=False) as context:  # type: ignore[arg-type]
        page = Desk(context).open("findings")
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
        page = Desk(context).open("findings")
        page.get_by_role("link", name="No, $85.00 owed").click()
        page.get_by_label("Your reason").fill("Too dear")
        with page.expect_request(is_post) as awaited:
            page.get_by_role("button", name="No, $85.00 owed").click()
        posted = awaited.value
        assert posted.url == ORIGIN + "/q/token/decline"
        assert posted.post_data == "reason=Too+dear"


def test_page_asks_for_a_name_before_it_posts(browser: Browser) -> None:
    with browser.new_context(viewport=PHONE, java_script_enabled=False) as context:  # type: ignore[arg-type]
        desk = Desk(context)
        page = desk.open("findings")
        page.locator("button", has_text="go ahead for").click()
        page.wait_for_function("document.activeElement.id === 'who'")
        assert [one.method for one in desk.asked if "favicon" not in one.url] == ["GET"]


def printed(press: Page, html: str, paper: str) -> list[str]:
    press.set_content(html)
    read_back = PdfReader(io.BytesIO(press.pdf(format=paper)))
    return [each.extract_text() for each in read_back.pages]


@pytest.mark.parametrize(("paper", "first"), [("A4", 0), ("Letter", APART // 2)])
def test_page_prints_totals_on_the_page_of_the_last_line(
    press: Page, paper: str, first: int
) -> None:
    # as many lines more as a page has room for, so that its end falls everywhere in the totals
    made = case("v68-zero-turn-head-gaskets")
    followed = 0
    for more in range(first, 48, APART):
        lines = [*made["lines"][:1] * more, *made["lines"]]
        pages = printed(press, shown(made | {"lines": lines}), paper)
        (at,) = [page for page in pages if "Total before tax" in page]
        above, _, below = at.partition("Total before tax")
        assert "Shipping and order fees" in " ".join(above.split())
        assert "Deposit" in below
        followed += above.count("\n") < 12
    # now and then there is little above them, so the end of a page was close
    assert followed


@pytest.mark.parametrize("name", ON_PAPER)
def test_page_prints_what_paper_can_hold(press: Page, name: str) -> None:
    html = page_of(name)
    together = "\n".join(printed(press, html, "A4"))
    assert "Your name" not in together
    assert "Ask first" not in together
    is_signed = "Signature" in together or "Unterschrift" in together
    assert is_signed is ('action="' in html)
    # what is folded on a screen is open on paper
    assert ("A strong hiss" in together) is (name in ("findings", "newer"))
    assert "1 / " in together


OF_A_REPAIR = [
    "open",
    "open, de",
    "after ticks",
    "change, en",
    "change, de",
    "ways, en",
    "ways, de",
]


@pytest.mark.parametrize("name", OF_A_REPAIR)
def test_print_of_a_repair_has_three_pages_at_most(press: Page, name: str) -> None:
    pages = printed(press, page_of(name), "A4")
    assert len(pages) <= 3
    # none but the last is half empty
    lines = [page.count("\n") for page in pages[:-1]]
    assert all(2 * one > max(lines) for one in lines)
    signed = [page for page in pages if "Signature" in page or "Unterschrift" in page]
    # what is signed stands on the same page
    assert all("$" in page for page in signed)
