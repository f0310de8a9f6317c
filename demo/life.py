"""The life of a kept quote: kept, issued, agreed to by the customer's link, its parts ordered and
received, the work done, paid and invoiced.
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


def show_life(address: str, key: str, path: Path, out: Path) -> None:
    """Keep a request as a quote of today, and print what becomes of it; keep its invoice."""
    asked = json.loads(path.read_bytes())
    for member in ("on", "needed_by"):
        asked.pop(member, None)
    counter = Counter(address, key)
    customer, _ = counter.call("POST", "/v1/customers", CUSTOMER)
    quote, tag = counter.call("POST", "/v1/quotes", {**asked, "customer": customer["id"]})
    at = f"/v1/quotes/{quote['id']}"
    gross = quote["gross"]
    print(f"Kept as {quote['id']}, revision 1: {gross['amount']} {gross['currency']}, a draft.")
    quote, tag = counter.call("POST", f"{at}/issue", tag=tag)
    link, _ = counter.call("POST", f"{at}/links", {}, tag)
    print(f"Issued, valid until {quote['valid_until']}. The customer's link: {link['path']}")
    # the customer has the link and no key
    offer, _ = send("GET", f"{address}{link['path']}", None, {})
    print(f"The customer reads: {offer['text']}")
    yes: dict[str, Any] = {"who": "Invented Customer"}
    if offer["withdrawal"] is not None:
        print("A contract made from afar: the customer wishes that the work begins at once.")
        yes["start_early"] = True
    send("POST", f"{address}{link['path']}/accept", yes, {})
    revision = {"quote": quote["id"], "revision": link["revision"]}
    orders, _ = counter.call("POST", "/v1/orders", {"revisions": [revision]})
    for one in orders["items"]:
        net, lines = one["order"]["net"], len(one["order"]["lines"])
        print(f"Order {one['id']} to {one['order']['name']}: {lines} lines, {net['amount']}.")
        receive(counter, one)
    quote, tag = counter.call("GET", at)
    _, tag = counter.call("POST", f"{at}/start", tag=tag)
    more = {"description": "A hose clamp", "kind": "part", "amount": "1.00", "trial": True}
    ruling, _ = counter.call("POST", f"{at}/additions", more, tag)
    print(f"A dollar or euro more? {ruling['text']}")
    counter.call("POST", f"{at}/finish", tag=tag)
    settle(counter, at, out)
    history, _ = counter.call("GET", f"{at}/history")
    print("History:", ", ".join(one["kind"] for one in history["items"]), end=".\n\n")
