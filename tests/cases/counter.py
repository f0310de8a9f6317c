"""Requests answered as the service answers them over HTTP, and answers written for review."""

from __future__ import annotations

import json
from datetime import date
from functools import cache
from pathlib import Path
from typing import Any, Final

import msgspec

from kitwright.app import make_service
from kitwright.settings import Settings
from kitwright.web.calls.service import Service
from kitwright.web.calls.wire import PreviewIn
from kitwright.web.edge.body import decode

REPOSITORY: Final = Path(__file__).resolve().parents[2]
WIDTH: Final = 120
"""What fits into so many columns stands on one line."""

Json = dict[str, Any]


def _another_day() -> date:
    """Return a day that no request names, so that one without its day would show."""
    return date(2031, 7, 4)


@cache
def service(shop: str) -> Service:
    """Return the service of a shop with the starter catalogue, whose clock stands still."""
    return make_service(Settings(catalog=REPOSITORY / "catalog", shop=shop), today=_another_day)


def answer(shop: str, request: Json) -> Json:
    """Return the whole answer to a preview request, without the catalogue's revision.

    The revision changes with every comment of a catalogue file; the figures don't.
    """
    told = service(shop).quote(decode(json.dumps(request).encode(), PreviewIn))
    whole: Json = json.loads(msgspec.json.encode(told))
    whole["catalogue_revision"] = ""
    return whole


def written(value: object, indent: int = 0) -> str:
    """Return JSON for reading as a diff: members sorted, what is short on one line."""
    flat = json.dumps(value, sort_keys=True, ensure_ascii=False)
    if not isinstance(value, dict | list) or not value or indent + len(flat) <= WIDTH:
        return flat
    inner = " " * (indent + 1)
    if isinstance(value, dict):
        rows = [
            f"{inner}{json.dumps(name)}: {written(value[name], indent + 1)}"
            for name in sorted(value)
        ]
        opening, closing = "{}"
    else:
        rows = [f"{inner}{written(each, indent + 1)}" for each in value]
        opening, closing = "[]"
    return "\n".join([opening, ",\n".join(rows), " " * indent + closing])
