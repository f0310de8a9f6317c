"""Examples: makes requests and answers for the API description from the current catalogue."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from typing import Any, Final

import msgspec
from msgspec import Struct

from kitwright.errors import KitwrightError
from kitwright.web.calls.catalogue import LISTINGS, shop_out
from kitwright.web.calls.listing import Listing
from kitwright.web.calls.running import HealthOut, ready_out
from kitwright.web.calls.service import Service
from kitwright.web.description.handlers import CODES
from kitwright.web.edge.body import decode
from kitwright.web.edge.operation import Operation, places_of, variables_of

_REVISION = "5f2b" * 16
"""Replaces the catalogue's revision, so that a description does not change with each edit."""


class Examples(Struct, frozen=True, kw_only=True):
    """Examples by operation id: request bodies by name, path variables by name, one answer."""

    requests: Mapping[str, Mapping[str, Any]]
    variables: Mapping[str, Mapping[str, str]]
    answers: Mapping[str, Any]


_SAMPLES: Final = {
    "quotes": "Q1",
    "fleets": "G1",
    "tickets": "T1",
    "claims": "K1",
    "customers": "C1",
    "machines": "M1",
    "orders": "O1",
    "photos": "P1",
    "price-files": "F1",
    "webhooks": "W1",
    "keys": "3fK9sQ0aZx",
    "revisions": "1",
    "links": "AQAAAAAAAAAA",
    "invoices": "I1-00001",
}
"""The path segment before a variable -> a sample value."""


def sample_variables(one: Operation) -> dict[str, str]:
    """Return a sample of each variable of a call's path, by the segment before it."""
    return {name: _SAMPLES.get(before, "1") for name, before in places_of(one).items()}


def find_examples(
    service: Service,
    operations: Iterable[Operation],
    requests: Mapping[str, Mapping[str, bytes]],
) -> Examples:
    """Return requests that a service accepts and its answers; lists are cut to their first record.

    Of the `requests`, by operation id and name, those are included that this service's catalogue
    can answer. Requests for stored records are included if they have the call's shape.
    """
    answered: dict[str, Callable[[Any], object]] = {
        "assessFindings": service.assess,
        "previewQuote": service.quote,
    }
    variables: dict[str, Mapping[str, str]] = {}
    answers: dict[str, Any] = {
        "getLiveness": HealthOut(status="alive"),
        "getReadiness": msgspec.structs.replace(ready_out(service), catalogue_revision=_REVISION),
        "getShop": msgspec.structs.replace(shop_out(service), catalogue_revision=_REVISION),
        "getMetrics": 'kitwright_requests_total{operation="getMetrics",status="200"} 1.0',
        "getDocs": "<!doctype html>",
        "getDescription": {"openapi": "3.1.0"},
    }
    for listing in (*LISTINGS, CODES):
        _exemplify(service, listing, variables, answers)
    return Examples(
        requests={
            one.id: _answerable(requests.get(one.id, {}), one.takes, answered.get(one.id))
            for one in operations
            if one.takes is not None
        },
        variables=variables,
        answers={name: msgspec.to_builtins(answer) for name, answer in answers.items()},
    )


def _exemplify(
    service: Service,
    listing: Listing,
    variables: dict[str, Mapping[str, str]],
    answers: dict[str, Any],
) -> None:
    # A catalogue may have no chassis and no presets.
    key, record = next(iter(listing.records(service).items()), ("none", None))
    sample = None if record is None else listing.out(service, record)
    if listing.every is not None:
        answers[listing.every.id] = {"items": [] if sample is None else [sample]}
    if listing.one is not None:
        variables[listing.one.id] = dict.fromkeys(variables_of(listing.one), key)
        if sample is not None:
            answers[listing.one.id] = sample


def _answerable(
    requests: Mapping[str, bytes], shape: type[Struct], answer: Callable[[Any], object] | None
) -> dict[str, Any]:
    found = {}
    for name, raw in sorted(requests.items()):
        try:
            asked = decode(raw, shape)
            if answer is not None:
                answer(asked)
        except KitwrightError:
            continue
        found[name] = msgspec.json.decode(raw)
    return found
