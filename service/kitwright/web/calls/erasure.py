"""Erasure: removes personal data from a revision, and keeps every amount, code and quantity."""

from __future__ import annotations

from typing import Any, Final

import msgspec
from msgspec import structs

from kitwright.keeping.erasure_words import ERASED
from kitwright.keeping.record import Revision
from kitwright.quote import for_customer

_BY_HAND: Final = ("discounts", "free_lines", "overrides", "floors", "leave_out_additions")
"""Members of a request that contain text written at the counter."""
_WORDS: Final = ("description", "reason", "by")
_BY_HAND_STEP: Final = "hand "
"""The start of the id of a step for an added line."""
_FREE: Final = "free"
"""The kind of the added lines, whose text is written manually."""


def redact(revision: Revision) -> Revision:
    """Return a revision without serial number, certificate, complaint and text written at the
    counter.

    Findings stay: they contain only ids and values of the catalogue. If a reason's sentence
    contains text written at the counter, the sentence is removed; its code and its other facts
    stay.
    """
    request: dict[str, Any] = msgspec.json.decode(revision.request)
    answer: dict[str, Any] = msgspec.json.decode(revision.answer)
    if "serial" in request:
        request["serial"] = None
    answer["engine"]["serial"] = None
    for body in (request, answer):
        if body.get("complaint") is not None:
            body["complaint"] = ERASED
    for body in (request, answer):
        if body.get("exemption") is not None:
            body["exemption"]["certificate_number"] = ERASED
    for member in _BY_HAND:
        for change in request.get(member, ()):
            change.update((name, ERASED) for name in _WORDS if name in change)
    for said in (request.get("comes_back"), request.get("judged"), answer.get("comes_back")):
        for name in ("reason", "by"):
            if said and said.get(name) is not None:
                said[name] = ERASED
    for line in answer["lines"]:
        if line["kind"] == _FREE:
            line["description"] = ERASED
    _redact_finds(request.get("change"))
    _redact_finds(answer.get("change"))
    _redact_reasons(answer)
    _redact_plan(answer.get("work_plan"))
    for line in answer["lines"]:
        if any(why["text"] == ERASED for why in line["why"]):
            line["reason"] = ERASED
    whole = msgspec.json.encode(answer)
    return structs.replace(
        revision, request=msgspec.json.encode(request), answer=whole, shown=for_customer(whole)
    )


def _redact_finds(change: dict[str, Any] | None) -> None:
    """Remove what was written at the bench from what was found; measured values stay."""
    for find in (change or {}).get("finds", ()):
        find.update((name, ERASED) for name in ("what", "why", "by"))
        for reading in find["readings"]:
            reading["what"] = ERASED


def _redact_plan(plan: dict[str, Any] | None) -> None:
    """Remove from a work plan what added lines are called: they are steps too, and one may stop
    before them.
    """
    if plan is None:
        return
    steps = [step for step in plan["steps"] if step["step"].startswith(_BY_HAND_STEP)]
    said = {step["name"] for step in steps}
    for named in (*plan["steps"], *plan["stops"]):
        if named["name"] in said:
            named["name"] = ERASED


def _redact_reasons(value: Any) -> None:
    """Remove text written at the counter from every reason in a part of an answer."""
    match value:
        case {"facts": dict(facts), "text": str()}:
            said = [name for name in _WORDS if isinstance(facts.get(name), str)]
            if said:
                facts.update((name, ERASED) for name in said)
                value["text"] = ERASED
        case dict():
            for part in value.values():
                _redact_reasons(part)
        case list():
            for part in value:
                _redact_reasons(part)
