"""Whatever form a quote is read in, its amounts are the same: random quotes, and some with several
courses.
"""

import email
import email.policy
import os
import re
from collections import Counter
from decimal import Decimal
from io import BytesIO
from typing import Any

import msgspec
from lxml import etree, html
from pypdf import PdfReader
from tests.bench.requests import distinct_requests
from tests.web.calls.conftest import Staff

from kitwright.language.scribe import Scribe
from kitwright.quote import Amount

IS_LONG = os.environ.get("KITWRIGHT_LONG") == "1"
MANY = 200 if IS_LONG else 60
WITH_COURSES = 200 if IS_LONG else 8
"""How many random offers with courses are compared."""
COURSES = ["least", "recommended", "thorough", "replace"]
WORTH = {"value": "900.00", "replacement_price": "1500.00"}
TOTALS = ("gross", "payable")


def told(amounts: list[Any], scribe: Scribe) -> Counter[str]:
    """Return how often each amount has to be told at least, as people read it."""
    return Counter(tight(scribe.money(one["amount"], one["currency"])) for one in amounts)


def read(amount: Any) -> Amount:
    return msgspec.convert(amount, Amount)


def tight(text: str) -> str:
    return re.sub(r"[\s\u200b\u00a0\u202f\u00ad]", "", text)


def holds(text: str, wanted: Counter[str]) -> bool:
    found = tight(text)
    return all(found.count(amount) >= count for amount, count in wanted.items())


def test_every_form_tells_the_same_amounts(staff: Staff) -> None:
    met = Counter[str]()
    for body in distinct_requests(MANY):
        _compare(staff, msgspec.json.decode(body), met)
    assert met["compared"] > MANY // 2, met
    assert met["may turn up"] > MANY // 4, met


def test_every_form_tells_the_same_amounts_of_courses(staff: Staff) -> None:
    met = Counter[str]()
    for body in distinct_requests(40 * WITH_COURSES):
        asked = msgspec.json.decode(body)
        if met["compared"] == WITH_COURSES:
            break
        if asked.get("diagnoses") and not asked.get("leave_out"):
            _compare(staff, asked | {"courses": COURSES, "worth": WORTH}, met)
    assert met["compared"] == WITH_COURSES, met
    assert met["courses"] > WITH_COURSES // 2, met


def _compare(staff: Staff, asked: Any, met: Counter[str]) -> None:
    """Compare the forms of one quote."""
    scribe = Scribe("en")
    quote = staff.done("/v1/quotes", asked).json()
    id = quote["id"]  # noqa: A001
    if quote["gross"] is None:
        met["tax unknown"] += 1
        return
    # a day that has passed can't be offered any more
    if quote["valid_until"] < "2027-03-01":
        met["over"] += 1
        return
    staff.act(id, "issue")
    path = f"/v1/quotes/{id}/sheet"

    def taken(form: str) -> Any:
        answer = staff.client.get(path, headers={"Accept": form})
        assert answer.status_code == 200, answer.text
        return answer

    data = taken("application/json").json()
    totals, lines = data["totals"], data["lines"]
    assert totals["gross"] == quote["gross"]
    everything = [line["amount"] for line in lines] + [totals[name] for name in TOTALS]
    ahead = data["contingencies"]
    if ahead["each"]:
        # one that is the same on two cylinders stands there once
        once = {
            (one["name"], str(one["price"]), one["cylinder"] is None): one["price"]
            for one in ahead["each"]
        }
        # what costs less is told as a saving
        everything += [{**one, "amount": one["amount"].lstrip("-")} for one in once.values()]
        met["may turn up"] += 1
    machine = data["another_machine"]
    ways = [one["total"] for one in data["courses"]] if len(data["courses"]) > 1 or machine else []
    if machine is not None:
        ways += [machine["total"], machine["price"], machine["value"]]
    met["courses"] += len(data["courses"]) > 1
    everything += ways
    # what may come is told roughly
    most = [tight(scribe.about(read(ahead["worst"])))] if ahead["each"] else []
    wanted = told(everything, scribe) + Counter(most)

    page = html.fromstring(taken("text/html").content)
    on_page = told(_on_page(lines, everything), scribe) + Counter(most)
    assert holds(page.text_content(), on_page), id
    reader = PdfReader(BytesIO(taken("application/pdf").content))
    printed = "".join(one.extract_text() for one in reader.pages)
    assert holds(printed, wanted), id
    _compare_ubl(etree.fromstring(taken("application/xml").content), data)
    _send(staff, id, told([totals["payable"], *ways], scribe) + Counter(most))
    met["compared"] += 1


def _on_page(lines: list[Any], everything: list[Any]) -> list[Any]:
    """Return the amounts of a page, where the work of a job on a cylinder is one row."""
    work = [line for line in lines if line["kind"] == "labour"]
    left = list(everything)
    sums: dict[object, list[Any]] = {}
    for line in work:
        left.remove(line["amount"])
        sums.setdefault((line["code"], line["cylinder"]), []).append(line["amount"])
    return left + [
        {
            "amount": str(sum(Decimal(one["amount"]) for one in each)),
            "currency": each[0]["currency"],
        }
        for each in sums.values()
    ]


def _compare_ubl(root: Any, data: Any) -> None:
    totals, currency = data["totals"], data["shop"]["currency"]
    sums = root.find("{*}QuotedMonetaryTotal")
    for name, member in (
        ("TaxExclusiveAmount", "net"),
        ("TaxInclusiveAmount", "gross"),
        ("PayableAmount", "payable"),
    ):
        found = sums.find(f"{{*}}{name}")
        assert (found.text, found.get("currencyID")) == (totals[member]["amount"], currency)
    taxes = root.findall("{*}TaxTotal/{*}TaxAmount")
    assert sum(map(_cents, (one.text for one in taxes))) == _cents(totals["tax"]["amount"])
    nets = [one.text for one in root.findall("{*}QuotationLine/{*}LineItem/{*}LineExtensionAmount")]
    for one in root.findall("{*}AllowanceCharge"):
        sign = "" if one.find("{*}ChargeIndicator").text == "true" else "-"
        nets.append(f"{sign}{one.find('{*}Amount').text}".replace("--", ""))
    assert sorted(map(_cents, nets)) == sorted(
        _cents(line["net"]["amount"]) for line in data["lines"]
    )


def _cents(text: str) -> int:
    return int(text.replace(".", ""))


def _send(staff: Staff, id: str, wanted: Counter[str]) -> None:  # noqa: A002
    staff.done(f"/v1/quotes/{id}/messages", {"to": "customer@mower.example"}, staff.tag(id))
    number = int(id[1:])
    (kept,) = staff.counter.store.read(lambda records: records.mails.of_quote(number))
    letter = email.message_from_bytes(kept.body, policy=email.policy.default)
    for kind in ("plain", "html"):
        part = letter.get_body((kind,))
        assert part is not None
        text = part.get_content()
        told_text = html.fromstring(text).text_content() if kind == "html" else text
        assert holds(told_text, wanted), (id, kind)
    (attached,) = letter.iter_attachments()
    assert attached.get_content_type() == "application/pdf"
