"""The life of a kept quote: kept, issued, agreed to by the customer's link, its parts ordered and
received, the work done, paid and invoiced; and of two more, of which one finds more and one stops.
"""

import json
import sys
import urllib.error
import urllib.request
from pathlib import Path
from typing import Any

CUSTOMER = {
    "name": "Invented Customer",
    "billing": {"street": "Invented Lane 1", "city": "Inventedham", "country": "DE"},
}


class Counter:
    """Somebody at the counter: calls with a key, each change with a key of its own to be safe."""

    def __init__(self, address: str, key: str) -> None:
        self._address = address
        self._key = key
        self._calls = 0

    def paper(self, path: str, form: str) -> bytes:
        """Return a document in a form."""
        headers = {"Authorization": f"Bearer {self._key}", "Accept": form}
        request = urllib.request.Request(f"{self._address}{path}", headers=headers)
        with urllib.request.urlopen(request, timeout=30) as answer:
            return bytes(answer.read())

    def call(
        self, method: str, path: str, body: Any = None, tag: str | None = None
    ) -> tuple[Any, str | None]:
        """Return the answer to a call with its entity tag, or end with the problem that came."""
        self._calls += 1
        headers = {"Authorization": f"Bearer {self._key}"}
        if method == "POST":
            headers["Idempotency-Key"] = f'"demo-{self._calls}"'
        return send(method, f"{self._address}{path}", body, headers, tag)


def send(
    method: str, url: str, body: Any, headers: dict[str, str], tag: str | None = None
) -> tuple[Any, str | None]:
    """Send a call; return the answer with its entity tag."""
    if tag is not None:
        headers["If-Match"] = tag
    data = None if body is None else json.dumps(body).encode()
    if data is not None:
        headers["Content-Type"] = "application/json"
    request = urllib.request.Request(url, data=data, headers=headers, method=method)
    try:
        with urllib.request.urlopen(request, timeout=30) as answer:
            return json.loads(answer.read()), answer.headers["ETag"]
    except urllib.error.HTTPError as error:
        sys.exit(f"refused: {error.read().decode()}")


def receive(counter: Counter, one: Any) -> None:
    """Send an order by telephone, and receive all of it."""
    at = f"/v1/orders/{one['id']}"
    _, tag = counter.call("GET", at)
    _, tag = counter.call(
        "POST",
        f"{at}/send",
        {"means": "telephone", "without_advance": "Pays on collection.", "by": "Counter"},
        tag,
    )
    packs = [
        {"line": place, "packs": line["packs"]}
        for place, line in enumerate(one["order"]["lines"], start=1)
    ]
    counter.call("POST", f"{at}/receipts", {"lines": packs, "by": "Counter"}, tag)


def settle(counter: Counter, at: str, out: Path) -> None:
    """Take the payment for finished work, make its invoice, and hand over the machine."""
    told, tag = counter.call("GET", f"{at}/statement")
    due = told["account"]["balance"]
    print(f"Finished. The statement: {due['amount']} {due['currency']} to pay.")
    paid = {"amount": due["amount"], "means": "card", "by": "Counter"}
    _, tag = counter.call("POST", f"{at}/payments", paid, tag)
    invoice, _ = counter.call("POST", f"{at}/invoice", {}, tag)
    for name, form in (("pdf", "application/pdf"), ("xml", "application/xml")):
        paper = counter.paper(f"/v1/invoices/{invoice['number']}", form)
        (out / f"{invoice['currency'].lower()}-invoice-{invoice['number']}.{name}").write_bytes(
            paper
        )
    rules = invoice["profile"] or f"none ({'; '.join(invoice['unmet'])})"
    print(f"Paid by card. Invoice {invoice['number']}, by the rules of {rules}.")
    _, tag = counter.call("GET", at)
    taken = {"collector": "Invented Customer", "old_parts": True, "by": "Counter"}
    counter.call("POST", f"{at}/collected", taken, tag)


def accept_by_link(counter: Counter, address: str, at: str) -> int:
    """Send what is on offer to the customer by a link, and have it accepted; return the revision.

    The customer has the link and no key.
    """
    _, tag = counter.call("GET", at)
    link, _ = counter.call("POST", f"{at}/links", {}, tag)
    print(f"The customer's link: {link['path']}")
    offer, _ = send("GET", f"{address}{link['path']}", None, {})
    print(f"The customer reads: {offer['text']}")
    yes: dict[str, Any] = {"who": "Invented Customer"}
    if offer["withdrawal"] is not None:
        print("A contract made from afar: the customer wishes that the work begins at once.")
        yes["start_early"] = True
    send("POST", f"{address}{link['path']}/accept", yes, {})
    return int(link["revision"])


def order_parts(counter: Counter, quote: str, revision: int) -> None:
    """Order what a revision still needs, and receive it."""
    asked = {"revisions": [{"quote": quote, "revision": revision}]}
    orders, _ = counter.call("POST", "/v1/orders", asked)
    for one in orders["items"]:
        net, lines = one["order"]["net"], len(one["order"]["lines"])
        print(f"Order {one['id']} to {one['order']['name']}: {lines} lines, {net['amount']}.")
        receive(counter, one)


def begin(counter: Counter, address: str, asked: Any, customer: str) -> str:
    """Keep a request as a quote, have it agreed and its parts delivered, and begin the work; return
    the quote's path.
    """
    quote, tag = counter.call("POST", "/v1/quotes", {**asked, "customer": customer})
    at = f"/v1/quotes/{quote['id']}"
    gross = quote["gross"]
    print(f"Kept as {quote['id']}, revision 1: {gross['amount']} {gross['currency']}, a draft.")
    quote, tag = counter.call("POST", f"{at}/issue", tag=tag)
    print(f"Issued, valid until {quote['valid_until']}.")
    order_parts(counter, quote["id"], accept_by_link(counter, address, at))
    _, tag = counter.call("GET", at)
    counter.call("POST", f"{at}/start", tag=tag)
    return at


def show_life(address: str, key: str, path: Path, out: Path) -> None:
    """Keep a request as a quote of today, and print what becomes of it; keep its invoice. If it
    says what may be found, do the same work twice more: once that is found, once it is stopped.
    """
    asked = json.loads(path.read_bytes())
    for member in ("on", "needed_by"):
        asked.pop(member, None)
    counter = Counter(address, key)
    made, _ = counter.call("POST", "/v1/customers", CUSTOMER)
    customer = made["id"]
    at = begin(counter, address, asked, customer)
    _, tag = counter.call("GET", at)
    more = {"description": "A hose clamp", "kind": "part", "amount": "1.00", "trial": True}
    ruling, _ = counter.call("POST", f"{at}/additions", more, tag)
    print(f"A dollar or euro more? {ruling['text']}")
    counter.call("POST", f"{at}/finish", tag=tag)
    settle(counter, at, out)
    history, _ = counter.call("GET", f"{at}/history")
    print("History:", ", ".join(one["kind"] for one in history["items"]), end=".\n\n")
    if asked.get("contingencies"):
        show_found(counter, address, begin(counter, address, asked, customer))
        show_stopped(counter, begin(counter, address, asked, customer))


def show_found(counter: Counter, address: str, at: str) -> None:
    """Find after teardown what the quote said may be found; have the change accepted by link."""
    quote, tag = counter.call("GET", at)
    every = quote["quote"]["contingencies"]["each"]
    one = next(each for each in every if each["jobs"] and each["after"] is None)
    found = {
        "contingency": {"contingency": one["contingency"], "cylinder": one["cylinder"]},
        "what": f"{one['name']}.",
        "why": "It was seen once the engine was apart.",
        "by": "Invented Mechanic",
    }
    order, _ = counter.call("POST", f"{at}/found", found, tag)
    change = order["change"]
    told = ", ".join(f"{name} {change[name]['amount']}" for name in ("was", "difference", "now"))
    print(f"Found after teardown: {one['name']}. The change order: {told}.")
    order_parts(counter, quote["id"], accept_by_link(counter, address, at))
    _, tag = counter.call("GET", at)
    counter.call("POST", f"{at}/finish", tag=tag)
    tell_statement(counter, at, "Finished with what was found")


def show_stopped(counter: Counter, at: str) -> None:
    """Stop work whose customer declines the rest, where the plan says that one decides."""
    quote, tag = counter.call("GET", at)
    plan = quote["quote"]["work_plan"]
    step = plan["steps"][plan["stops"][0]["before_step"] - 1]
    body = {"step": step["step"], "machine": "put_together", "by": "Counter"}
    counter.call("POST", f"{at}/stop", body, tag)
    tell_statement(counter, at, f"Stopped before: {step['name']}")


def tell_statement(counter: Counter, at: str, what: str) -> None:
    """Print what was billed of what was agreed."""
    told, _ = counter.call("GET", f"{at}/statement")
    made = told["statement"]
    agreed, billed = made["agreed_gross"]["amount"], made["gross"]
    print(f"{what}: {billed['amount']} {billed['currency']} of {agreed} agreed.", end="\n\n")
