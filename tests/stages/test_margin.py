"""Margin: what a quote leaves the shop, added up again from the quote itself."""

from __future__ import annotations

from decimal import Decimal
from fractions import Fraction
from itertools import islice
from typing import Any

import msgspec
import pytest
from tests.bench.requests import unseen_requests
from tests.desks import DAY
from tests.stages.workbench import starter

from kitwright.catalogue.model import Catalogue, ShopId
from kitwright.quote import encode_quote, for_customer
from kitwright.web.calls.service import Service
from kitwright.web.calls.wire import PreviewIn
from kitwright.web.edge.body import decode
from kitwright.workshop import Workshop

Json = dict[str, Any]


def told(catalogue: Catalogue, shop: str, body: bytes) -> Json:
    service = Service(Workshop(catalogue, catalogue.shops[ShopId(shop)]), lambda: DAY)
    found: Json = msgspec.json.decode(encode_quote(service.quote(decode(body, PreviewIn))))
    return found


def minor(amount: Json) -> int:
    return int(Decimal(amount["amount"]) * 100)


def stock_cost(catalogue: Catalogue, shop: str, taken: list[Json]) -> int:
    """Return what stock cost, in minor units, from the rows of the shop's file."""
    rows = {(row.item, row.bin): row.cost for row in catalogue.shops[ShopId(shop)].stock}
    cost = Fraction(0)
    for one in taken:
        consumable = catalogue.consumables.get(one["item"])
        pack = Fraction(1) if consumable is None else Fraction(consumable.pack)
        cost += Fraction(one["quantity"]) / pack * Fraction(rows[one["item"], one["bin"]]) * 100
    return int(cost + Fraction(1, 2))


@pytest.mark.parametrize("shop", ["hire-yard", "orchard"])
def test_margin_is_what_the_quote_adds_up_to(shop: str) -> None:
    catalogue, stocked = starter(), 0
    for body in islice(unseen_requests(seed=16), 60):
        quote = told(catalogue, shop, body)
        margin = quote["margin"]
        assert (margin is None) is (quote["tax_state"] == "unknown")
        if margin is None:
            continue
        nets = [(line["kind"], minor(line["net"])) for line in quote["lines"]]
        orders = quote["orders"]
        landed = sum(minor(order["net"]) for order in orders)
        services = {
            line["code"]: Decimal(line["quantity"])
            for line in quote["lines"]
            if line["kind"] == "sublet"
        }
        terms = catalogue.shops[ShopId(shop)].sublet
        sublet = sum(
            int(Decimal(terms[code].cost) * count * 100) for code, count in services.items()
        )
        charges = landed - sum(minor(order["goods"]) for order in orders)

        assert minor(margin["sold"]) == sum(net for kind, net in nets if kind != "core")
        assert minor(margin["landed"]) == landed
        assert minor(margin["from_stock"]) == stock_cost(
            catalogue, shop, quote["kit"]["from_stock"]
        )
        assert minor(margin["sublet"]) == sublet
        assert minor(margin["left"]) == (
            minor(margin["sold"]) - landed - minor(margin["from_stock"]) - sublet
        )
        assert margin["loss"] is (minor(margin["left"]) < 0)
        freight = sum(net for kind, net in nets if kind == "freight")
        assert minor(margin["freight_kept"]) == freight - charges
        assert margin["minutes"] == sum(one["billed_minutes"] for one in quote["labour"])
        stocked += minor(margin["from_stock"]) > 0
    assert stocked


def test_margin_says_that_a_quote_loses() -> None:
    body = msgspec.json.encode(
        {
            "family": "TB-V68",
            "chassis": "loose",
            "serial": 3200000,
            "jobs": [{"job": "J-HEAD-GASKET", "cylinder": 1}],
            "discounts": [{"percent": "95", "reason": "goodwill", "by": "Owner"}],
        }
    )

    margin = told(starter(), "hire-yard", body)["margin"]

    assert margin["loss"]
    assert Decimal(margin["left"]["amount"]) < 0


def test_margin_is_the_shops_own() -> None:
    asked = decode(next(unseen_requests(seed=4)), PreviewIn)
    catalogue = starter()
    service = Service(Workshop(catalogue, catalogue.shops[ShopId("hire-yard")]), lambda: DAY)
    quote = service.quote(asked)

    assert quote.margin is not None
    assert b'"margin"' in encode_quote(quote)
    assert b'"margin"' not in for_customer(encode_quote(quote))
