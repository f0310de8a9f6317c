"""Documents of kept quotes: every form that the caller may take, and the customer's page."""

import csv
import json
import re
from io import BytesIO, StringIO
from typing import Any
from urllib.parse import urlencode, urljoin

import pytest
from lxml import etree, html
from pypdf import PdfReader
from tests.web.calls.conftest import Staff
from tests.web.calls.test_links import Customer, linked
from tests.web.problem import sound_problem

PAGE = "text/html"
BROWSER = "text/html,application/xhtml+xml,application/xml;q=0.9,*/*;q=0.8"


@pytest.fixture
def customer(staff: Staff) -> Customer:
    return Customer(staff)


def taken(staff: Staff, path: str, form: str) -> Any:
    answer = staff.client.get(path, headers={"Accept": form})
    assert answer.status_code == 200, answer.text
    assert answer.headers["content-type"].partition(";")[0] == form
    return answer


def pdf_text(content: bytes) -> str:
    return "\n".join(page.extract_text() for page in PdfReader(BytesIO(content)).pages)


def test_sheet_says_the_same_in_every_form(staff: Staff) -> None:
    id = staff.issued(diagnostic_done=True)  # noqa: A001
    path = f"/v1/quotes/{id}/sheet"
    gross = staff.get(f"/v1/quotes/{id}")["gross"]["amount"]

    page = taken(staff, path, PAGE)
    printed = taken(staff, path, "application/pdf")
    xml = etree.fromstring(taken(staff, path, "application/xml").content)
    data = taken(staff, path, "application/json").json()

    assert data["totals"]["gross"]["amount"] == gross
    assert f"${gross}" in page.text
    assert f"${gross}" in pdf_text(printed.content)
    (total,) = xml.findall(".//{*}QuotedMonetaryTotal/{*}TaxInclusiveAmount")
    assert total.text == gross
    assert page.headers["content-security-policy"].startswith("default-src 'none'")
    assert "unit_cost" not in page.text
    assert printed.headers["content-disposition"] == f'inline; filename="{id}-1.pdf"'


def test_sheet_that_the_caller_has_is_not_sent_again(staff: Staff) -> None:
    path = f"/v1/quotes/{staff.issued()}/sheet"
    for form in (PAGE, "application/pdf", "application/xml", "application/json"):
        first = taken(staff, path, form)
        headers = {"Accept": form, "If-None-Match": first.headers["ETag"]}

        assert staff.client.get(path, headers=headers).status_code == 304


@pytest.mark.parametrize(("language", "hours"), [("en", "1,190.5"), ("de", "1.190,5")])
def test_papers_write_hours_as_their_language_does(staff: Staff, language: str, hours: str) -> None:
    # the bench sheet is in the bench's language, English in this shop
    body = {"name": "Digger", "family": "QM-H27", "chassis": "PW-G5", "hours": "1190.5"}
    machine = staff.done("/v1/machines", body).json()["id"]
    id = staff.issued(machine=machine, language=language)  # noqa: A001

    for paper, there in (("sheet", hours), ("bench-sheet", "1,190.5")):
        path = f"/v1/quotes/{id}/{paper}"
        assert there in taken(staff, path, PAGE).text
        assert there in pdf_text(taken(staff, path, "application/pdf").content)


def test_draft_has_no_quotation(staff: Staff) -> None:
    path = f"/v1/quotes/{staff.quote()}/sheet"

    answer = staff.client.get(path, headers={"Accept": "application/xml"})

    assert (answer.status_code, answer.json()["code"]) == (406, "not-acceptable")
    taken(staff, path, PAGE)


def test_sheet_is_of_the_revision_that_counts(staff: Staff) -> None:
    id = staff.issued()  # noqa: A001
    staff.act(id, "revise", {"family": "QM-H27", "jobs": [{"job": "J-LASH", "cylinder": 1}]})
    path = f"/v1/quotes/{id}/sheet"

    def name(**query: int) -> str:
        answer = staff.client.get(path, params=query, headers={"Accept": "application/pdf"})
        return str(answer.headers["content-disposition"])

    assert f"{id}-1.pdf" in name()
    assert f"{id}-2.pdf" in name(revision=2)
    assert staff.client.get(path, params={"revision": 3}).status_code == 404


@pytest.mark.parametrize("paper", ["bench-sheet", "pick-list"])
def test_shop_floor_has_its_papers(staff: Staff, paper: str) -> None:
    found = [{"code": "HG-GALLERY", "cylinder": 1}]
    id = staff.issued(family="TB-V68", serial=None, chassis=None, diagnoses=found)  # noqa: A001
    path = f"/v1/quotes/{id}/{paper}"

    page = taken(staff, path, PAGE)
    printed = taken(staff, path, "application/pdf")

    assert id in html.fromstring(page.content).text_content()
    assert id in pdf_text(printed.content)
    gross = staff.get(f"/v1/quotes/{id}")["gross"]["amount"]
    assert gross not in page.text


def test_order_has_its_papers(staff: Staff) -> None:
    id = staff.accepted()  # noqa: A001
    orders = staff.done("/v1/orders", {"revisions": [{"quote": id, "revision": 1}]}).json()["items"]
    for one in orders:
        path = f"/v1/orders/{one['id']}/sheet"
        net = one["order"]["net"]["amount"]

        text = pdf_text(taken(staff, path, "application/pdf").content)
        # long numbers may break over lines
        printed = re.sub(r"[\s\u200b]", "", text)
        table = taken(staff, path, "text/csv").text
        xml = etree.fromstring(taken(staff, path, "application/xml").content)

        assert net in printed
        assert f"Purchaseorder{one['id']}" in printed
        records = list(csv.DictReader(StringIO(table, newline="")))
        assert {record["order"] for record in records} == {one["id"]}
        for line in one["order"]["lines"]:
            assert line["sku"] in printed
            assert line["sku"] in table
        assert len(xml.findall(".//{*}OrderLine")) == len(one["order"]["lines"])


class Browser:
    """Somebody with a browser without scripts, and without a key."""

    def __init__(self, staff: Staff) -> None:
        self._client = staff.client

    def open(self, path: str) -> Any:
        return self._client.get(path, headers={"Authorization": "", "Accept": BROWSER})

    def send(self, path: str, **fields: str) -> Any:
        return self._client.post(
            path,
            content=urlencode(fields),
            headers={
                "Authorization": "",
                "Accept": BROWSER,
                "Content-Type": "application/x-www-form-urlencoded",
            },
            follow_redirects=False,
        )


def test_customer_accepts_on_the_page(staff: Staff) -> None:
    browser = Browser(staff)
    id = staff.issued()  # noqa: A001
    path = linked(staff, id)

    page = browser.open(path)
    actions = [urljoin(path, one) for one in re.findall(r'<form[^>]*action="([^"]+)"', page.text)]
    assert actions == [f"{path}/accept", f"{path}/decline"]
    sent = browser.send(actions[0], who="  Zoë Ünal ", limit="")

    assert sent.status_code == 303
    assert urljoin(actions[0], sent.headers["location"]) == path
    (given,) = staff.get(f"/v1/quotes/{id}/authorisations")["authorisations"]
    assert (given["who"], given["means"]) == ("Zoë Ünal", "link")
    after = browser.open(path)
    assert "Zoë Ünal" in after.text
    assert "<form" not in after.text
    assert browser.send(actions[0], who="Zoë Ünal").status_code == 303


def test_customer_declines_on_the_page(staff: Staff) -> None:
    browser = Browser(staff)
    id = staff.issued()  # noqa: A001
    path = linked(staff, id)

    sent = browser.send(f"{path}/decline", reason="Too dear")

    assert sent.status_code == 303
    assert staff.get(f"/v1/quotes/{id}")["state"] == "declined"
    assert "<form" not in browser.open(path).text


@pytest.mark.parametrize(
    ("written", "limit"),
    [
        ("900", "900.00"),
        ("900,5", "900.50"),
        ("$1,200", "1200.00"),
        ("1,200.50", "1200.50"),
        ("1.200", "1200.00"),
        ("1.200,00 \N{EURO SIGN}", "1200.00"),
        ("1\N{NARROW NO-BREAK SPACE}200", "1200.00"),
        ("1'200.00", "1200.00"),
        ("USD 1,000,000", "1000000.00"),
    ],
)
def test_limit_is_read_as_people_write_it(staff: Staff, written: str, limit: str) -> None:
    id = staff.issued()  # noqa: A001
    sent = Browser(staff).send(f"{linked(staff, id)}/accept", who="A", limit=written)

    assert sent.status_code == 303
    (given,) = staff.get(f"/v1/quotes/{id}/authorisations")["authorisations"]
    assert given["limit"]["amount"] == limit


@pytest.mark.parametrize(
    ("fields", "status"),
    [
        ({"who": ""}, 422),
        ({"who": "A", "limit": "1,20,000"}, 422),
        ({"who": "A", "limit": "9,000,50"}, 422),
        ({"who": "A", "limit": "much"}, 422),
        ({"who": "A", "limit": "1.00"}, 409),
        ({"who": "A" * 600}, 422),
    ],
)
def test_form_that_is_wrong_is_shown_again(
    staff: Staff, fields: dict[str, str], status: int
) -> None:
    browser = Browser(staff)
    id = staff.issued()  # noqa: A001
    path = linked(staff, id)

    answer = browser.send(f"{path}/accept", **fields)

    assert answer.status_code == status
    page = html.fromstring(answer.content)
    assert page.xpath("//*[@aria-invalid='true']")
    for name, text in fields.items():
        assert page.xpath(f"//input[@name='{name}']/@value") == ([text] if text else [""])
    assert staff.get(f"/v1/quotes/{id}")["state"] == "issued"


@pytest.mark.parametrize(
    ("act", "fields", "named"),
    [
        ("accept", [("who", "A"), ("limit", "500"), ("limit", "900")], ["limit"]),
        ("accept", [("who", "A"), ("who", "A"), ("limit", ""), ("limit", "9")], ["who", "limit"]),
        ("decline", [("reason", "a"), ("reason", "b")], ["reason"]),
    ],
)
def test_form_with_a_field_given_twice_is_refused_and_names_it(
    staff: Staff, act: str, fields: list[tuple[str, str]], named: list[str]
) -> None:
    id = staff.issued()  # noqa: A001

    answer = staff.client.post(
        f"{linked(staff, id)}/{act}",
        content=urlencode(fields),
        headers={"Authorization": "", "Content-Type": "application/x-www-form-urlencoded"},
    )

    refused = sound_problem(answer, json.dumps(dict(fields)).encode())
    assert (refused["status"], refused["code"]) == (400, "body-invalid")
    assert [error["pointer"] for error in refused["errors"]] == [f"/{name}" for name in named]
    assert {error["code"] for error in refused["errors"]} == {"duplicate-member"}
    assert staff.get(f"/v1/quotes/{id}")["state"] == "issued"


def test_old_page_leads_to_the_new_offer(staff: Staff) -> None:
    browser = Browser(staff)
    id = staff.issued()  # noqa: A001
    path = linked(staff, id)
    staff.act(id, "revise", {"family": "QM-H27", "jobs": [{"job": "J-LASH", "cylinder": 1}]})
    staff.act(id, "issue")

    answer = browser.send(f"{path}/accept", who="A. Customer")

    assert answer.status_code == 409
    (link,) = html.fromstring(answer.content).xpath("//a[starts-with(@href, '../')]/@href")
    newer = urljoin(f"{path}/accept", link)
    assert newer != path
    assert browser.send(f"{newer}/accept", who="A. Customer").status_code == 303


def test_link_that_leads_nowhere_is_a_page_too(staff: Staff) -> None:
    browser = Browser(staff)
    path = linked(staff, staff.issued(), days=1)

    nowhere = browser.open(f"{path[:-1]}{'A' if path[-1] != 'A' else 'B'}")
    staff.counter.clock.pass_days(2)
    over = browser.open(path)

    assert (nowhere.status_code, over.status_code) == (404, 410)
    for answer in (nowhere, over):
        assert answer.headers["content-type"].startswith("text/html")
        assert html.fromstring(answer.content).xpath("//h1")


def test_offer_comes_as_pdf_too(staff: Staff, customer: Customer) -> None:
    path = linked(staff, staff.issued())

    answer = staff.client.get(path, headers={"Authorization": "", "Accept": "application/pdf"})

    assert answer.headers["content-type"] == "application/pdf"
    assert customer.get(path).json()["quote"]["totals"]["gross"]["amount"] in pdf_text(
        answer.content
    )
