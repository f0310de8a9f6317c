"""Answers: what the service says of a catalogue, in as few questions as tell every field."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator, Mapping
from datetime import UTC, date, datetime
from decimal import Decimal
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any, Final

import msgspec
from litestar.testing import TestClient

from kitwright.app import make_app
from kitwright.catalogue.model import Catalogue, ShopId
from kitwright.desk_opening import first_key, open_desk
from kitwright.documents.assessment_text import assessment_text
from kitwright.documents.papers import ShopPapers
from kitwright.documents.readings_svg import readings_svg
from kitwright.quote import Envelope, Paper, encode_quote
from kitwright.settings import Settings
from kitwright.web.calls.catalogue import LISTINGS, shop_out
from kitwright.web.calls.service import Service
from kitwright.web.calls.wire import AssessmentIn, PreviewIn
from kitwright.web.edge.body import decode
from kitwright.web.edge.negotiate import SVG, TEXT
from kitwright.workshop import Workshop

REPOSITORY: Final = Path(__file__).resolve().parents[2]
DAY: Final = date(2027, 3, 1)
NOW: Final = datetime(2027, 3, 1, 15, 30, tzinfo=UTC)

Question = Callable[["World"], object]


class World:
    """A catalogue, and a service for each of its shops, made when it is asked."""

    def __init__(self, catalogue: Catalogue) -> None:
        self.catalogue = catalogue
        self._services: dict[str, Service] = {}

    def service(self, shop: str) -> Service:
        """Return the service of a shop, whose clock stands still."""
        if shop not in self._services:
            workshop = Workshop(self.catalogue, self.catalogue.shops[ShopId(shop)])
            forms = {TEXT: assessment_text, SVG: readings_svg}
            self._services[shop] = Service(workshop, lambda: DAY, forms)
        return self._services[shop]

    def answer(self, question: Question) -> bytes:
        """Return what a question is answered; where it can't be, what was raised."""
        try:
            told = question(self)
        except Exception as error:  # noqa: BLE001 - whatever breaks is another answer
            told = f"{type(error).__name__}: {error}"
        return told if isinstance(told, bytes) else msgspec.json.encode(told)


def records(shop: str) -> Question:
    """Return the question for all that the catalogue's calls give."""

    def ask(world: World) -> object:
        service = world.service(shop)
        return shop_out(service), [
            [one.out(service, row) for row in one.records(service).values()] for one in LISTINGS
        ]

    return ask


def preview(shop: str, request: Mapping[str, Any]) -> Question:
    """Return the question for a quote with what may turn up."""
    asked = decode(json.dumps(request).encode(), PreviewIn)
    return lambda world: encode_quote(world.service(shop).quote(asked))


def assessment(shop: str, request: Mapping[str, Any]) -> Question:
    """Return the question what findings come to, in every form."""
    asked = decode(json.dumps(request).encode(), AssessmentIn)

    def ask(world: World) -> object:
        service = world.service(shop)
        forms = [service.assessed(asked, form) for form in (TEXT, SVG)]
        return service.assess(asked), forms

    return ask


def documents(shop: str, request: Mapping[str, Any]) -> Question:
    """Return the question for the documents of a quote that are made with the catalogue."""
    asked = decode(json.dumps(request).encode(), PreviewIn)

    def ask(world: World) -> object:
        service = world.service(shop)
        envelope = Envelope(
            quote_id="Q12",
            revision=2,
            state="issued",
            issued_at=NOW,
            sha256=None,
            customer_name="Mira Example",
        )
        paper = Paper(quote=service.quote(asked), envelope=envelope)
        papers = ShopPapers(service.workshop.shop)
        pages = (
            papers.quote_page(paper),
            papers.bench_sheet_page(paper),
            papers.pick_list_page(paper),
        )
        return [page.body.decode() for page in pages], papers.quotation(paper).decode()

    return ask


def kept(shop: str, request: Mapping[str, Any]) -> Question:
    """Return the question for a quote's life at the counter: its issue, what may be added to it
    without asking, and its parts orders with their promises.
    """

    def ask(world: World) -> object:
        with TemporaryDirectory() as folder:
            settings = Settings(catalog=REPOSITORY / "catalog", data=Path(folder), rate=0)
            desk, store = open_desk(
                world.service(shop), settings, now=lambda: NOW, draw=lambda size: b"7" * size
            )
            try:
                key = first_key(desk, store)
                with TestClient(make_app(desk)) as client:
                    client.headers["Authorization"] = f"Bearer {key}"
                    return list(_life(client, request))
            finally:
                store.close()

    return ask


def _life(client: TestClient[Any], request: Mapping[str, Any]) -> Iterator[str]:
    """Yield the answers along the life of a quote."""
    tag = ""

    def post(path: str, body: object = None) -> Any:
        nonlocal tag
        headers = {"Idempotency-Key": f'"{path}"'} | ({"If-Match": tag} if tag else {})
        answer = client.post(f"/v1/{path}", json=body, headers=headers)
        tag = answer.headers.get("ETag", tag)
        return answer

    customer = post("customers", {"name": "M. Example"}).json()["id"]
    machine = post("machines", {"name": "Washer", "family": request["family"]}).json()["id"]
    taken = {"customer": customer, "machine": machine, "complaint": "Smokes."}
    yield post("tickets", taken).text
    tag = ""
    made = post("quotes", dict(request))
    quote = made.json()["id"]
    yield made.text
    yield post(f"quotes/{quote}/issue").text
    yield post(f"quotes/{quote}/links", {"days": 90}).json()["expires_at"]
    yes = {"revision": 1, "who": "M. Example", "means": "telephone", "contact": "+1 202-555-0143"}
    yield post(f"quotes/{quote}/accept", yes).text
    more = {"description": "Stud", "kind": "part", "net": "500.00", "trial": True}
    yield post(f"quotes/{quote}/additions", more).text
    tag = ""
    other = _agreed(client, {**request, "machines": 2}, yes)
    asked = {"revisions": [{"quote": one, "revision": 1} for one in (quote, other)]}
    made = post("orders", asked)
    if made.status_code == 409:
        yield made.text
        for one in (quote, other):
            shown = client.get(f"/v1/quotes/{one}")
            tag = shown.headers["ETag"]
            paid = {"amount": shown.json()["gross"]["amount"], "means": "cash", "by": "Owner"}
            post(f"quotes/{one}/payments", paid)
        tag = ""
        made = post("orders", asked)
    yield made.text
    yield client.get(f"/v1/quotes/{quote}/payments").text
    for one in made.json().get("items", ()):
        yield from _order(client, one["id"])
    tag = client.get(f"/v1/quotes/{quote}").headers["ETag"]
    if post(f"quotes/{quote}/start").status_code == 200:
        tag = ""
        began = {"act": "start", "by": "R. Okafor", "phase": "work"}
        yield post(f"quotes/{quote}/clock", began).text


def _agreed(client: TestClient[Any], request: Mapping[str, Any], yes: Mapping[str, Any]) -> str:
    """Return the id of another quote that its customer accepted."""
    headers = {"Idempotency-Key": '"another"'}
    quote = str(client.post("/v1/quotes", json=dict(request), headers=headers).json()["id"])
    for act, body in (("issue", {}), ("accept", yes)):
        tag = client.get(f"/v1/quotes/{quote}").headers["ETag"]
        headers = {"Idempotency-Key": f'"another-{act}"', "If-Match": tag}
        client.post(f"/v1/quotes/{quote}/{act}", json=dict(body), headers=headers)
    return quote


def _order(client: TestClient[Any], order: str) -> Iterator[str]:
    """Yield the answers along the life of an order, and its documents."""
    path = f"/v1/orders/{order}"

    def post(act: str, **body: object) -> str:
        tag = client.get(path).headers["ETag"]
        headers = {
            "Idempotency-Key": f'"{order}-{act}-{body.get("reference", "")}"',
            "If-Match": tag,
        }
        answer = client.post(f"{path}/{act}", json={"by": "Owner", **body}, headers=headers)
        return str(answer.text)

    yield client.get(f"{path}/sheet", headers={"Accept": "application/xml"}).text
    yield post("send", without_advance="Known.", means="email")
    yield client.get(f"{path}/messages").text
    late = {"line": 1, "promised": "2027-12-01"}
    yield post("confirm", lines=[late])
    lines = client.get(path).json()["lines"]
    for part in (0, 1):
        # a little below what the shop tolerates, and a little above
        cost = Decimal(lines[0]["unit_cost"]) * (Decimal("1.0195") if part else Decimal("1.0205"))
        yield post(
            "receipts",
            reference=f"DN-{part}",
            lines=[
                {"line": one["line"], "packs": one["due"] * part, "unit_cost": f"{cost:.6f}"}
                for one in lines
            ],
        )
    for why in ("not_needed", "core"):
        lines = client.get(path).json()["lines"]
        whole = [one for one in lines if one["cores"]] if why == "core" else lines[:1]
        gone = [{"line": one["line"], "why": why, "packs": 1} for one in whole or lines[:1]]
        yield post("returns", lines=gone, reference=why, agreed="yes")
