"""The page for people: complete, and nothing on it comes from elsewhere."""

import re
from base64 import b64encode
from hashlib import sha256
from html import unescape
from html.parser import HTMLParser
from typing import Any

import pytest
from litestar.testing import TestClient

from kitwright.app import ALL_OPERATIONS
from kitwright.web.description.codes import documented_codes
from kitwright.web.description.docs import docs_page

VOID = {"meta", "br", "hr"}


class Page(HTMLParser):
    """A page taken apart: its tags in order, ids, links, and whether each tag is closed."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.tags: list[str] = []
        self.ids: list[str] = []
        self.links: list[str] = []
        self.attributes: set[str] = set()
        self.open: list[str] = []
        self.feed(text)
        self.close()

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append(tag)
        if tag not in VOID:
            self.open.append(tag)
        for name, value in attrs:
            self.attributes.add(name)
            if name == "id" and value:
                self.ids.append(value)
            if name == "href" and value:
                self.links.append(value)

    def handle_endtag(self, tag: str) -> None:
        assert self.open.pop() == tag


@pytest.fixture(scope="module")
def text(client: TestClient[Any]) -> str:
    return client.get("/docs").text


@pytest.fixture(scope="module")
def page(text: str) -> Page:
    return Page(text)


def test_page_is_well_formed(page: Page) -> None:
    assert page.open == []
    assert len(page.ids) == len(set(page.ids))
    assert page.tags.count("h1") == 1


def test_page_needs_nothing_from_elsewhere(page: Page, text: str) -> None:
    assert not {"script", "img", "link", "iframe", "object", "form", "base"} & set(page.tags)
    assert not {"src", "style", "onclick"} & page.attributes
    assert "url(" not in text
    assert "@import" not in text
    assert all(link.startswith(("#", "/")) for link in page.links)


def test_page_links_lead_somewhere(page: Page) -> None:
    places = [link[1:] for link in page.links if link.startswith("#")]

    assert places
    assert set(places) <= set(page.ids)


def test_page_may_use_its_own_style_and_nothing_else(client: TestClient[Any], text: str) -> None:
    policy = client.get("/docs").headers["content-security-policy"]

    style = text.partition("<style>")[2].partition("</style>")[0]
    hashed = b64encode(sha256(style.encode()).digest()).decode()
    assert policy.startswith("default-src 'none'; ")
    assert f"style-src 'sha256-{hashed}'" in policy
    assert "unsafe" not in policy


def test_page_tells_every_operation_shape_and_code(client: TestClient[Any], page: Page) -> None:
    text = client.get("/docs").text
    shapes = client.get("/openapi.json").json()["components"]["schemas"]

    assert {one.id for one in ALL_OPERATIONS} <= set(page.ids)
    assert {f"shape-{name}" for name in shapes} <= set(page.ids)
    for one in ALL_OPERATIONS:
        assert one.summary in unescape(text)
    for code in documented_codes():
        assert f"<code>{code.code}</code>" in text


def test_page_shows_the_examples(text: str) -> None:
    assert "Leaking valve" in text
    assert '"VALVE-EX"' in unescape(text)


def test_docs_page_escapes_what_it_shows() -> None:
    evil = "<script>alert(1)</script>"
    document = {
        "info": {"title": evil, "version": evil, "summary": evil, "description": f"`{evil}`"},
        "tags": [{"name": "a", "description": evil}],
        "webhooks": {},
        "paths": {
            f"/{evil}": {
                "get": {
                    "operationId": "x",
                    "tags": ["a"],
                    "summary": evil,
                    "description": evil,
                    "parameters": [{"name": evil, "in": "path", "description": evil}],
                    "responses": {
                        "200": {
                            "description": evil,
                            "content": {
                                "text/plain": {
                                    "schema": {"type": "string", "pattern": evil},
                                    "example": {evil: evil},
                                }
                            },
                        }
                    },
                }
            }
        },
        "components": {"schemas": {"X": {"description": evil, "properties": {evil: {}}}}},
    }

    page = docs_page(document, {evil: evil})

    assert "<script" not in page
    assert re.search("&lt;script&gt;", page)
