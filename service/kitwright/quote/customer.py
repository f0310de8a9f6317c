"""Customer: a quote as its customer sees it, without the members that are internal to the shop."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from functools import cache, reduce
from operator import or_
from types import UnionType
from typing import TYPE_CHECKING, Annotated, Any, Final, Union, get_args, get_origin

import msgspec
from msgspec import UNSET, Struct, UnsetType, structs

from kitwright.quote.assessment import Assessment
from kitwright.quote.base import Reason
from kitwright.quote.change import Change, Find
from kitwright.quote.come_back import ComesBack
from kitwright.quote.contingency import Contingency
from kitwright.quote.course import Course
from kitwright.quote.price import Line
from kitwright.quote.whole import Quote
from kitwright.quote.work import QuotedJob, Saving

THE_SHOPS_OWN: Final[Mapping[type[Struct], frozenset[str]]] = {
    Quote: frozenset(
        {
            "basis",
            "buying",
            "margin",
            "in_play",
            "catalogue_revision",
            "estimates",
            "swallowed",
            "access",
            "work_plan",
            "labour",
            "kit",
            "orders",
            "unfilled",
            "questions",
        }
    ),
    Assessment: frozenset({"catalogue_revision"}),
    QuotedJob: frozenset({"minutes_alone", "minutes_here", "minutes_computed"}),
    Saving: frozenset({"minutes"}),
    Line: frozenset(
        {"computed", "tax_kind", "labour_class", "job", "places", "sources", "reason", "why"}
    ),
    Contingency: frozenset({"probability", "parts"}),
    Course: frozenset({"minutes", "parts_by"}),
    Find: frozenset({"step", "by"}),
    ComesBack: frozenset({"reason", "by"}),
}
"""Members not shown to customers: the shop's costs, its suppliers, and its internal reasons."""

SAID_INSIDE: Final = frozenset({"minutes-overridden"})
"""Reasons of jobs that name who of the shop decided something, and why."""


@cache
def _projected(kind: type[Struct]) -> type[Struct]:
    """Return a struct type without the shop's internal members, in it and in its members' types."""
    hidden = THE_SHOPS_OWN.get(kind, frozenset())
    fields: list[tuple[str, Any, Any]] = []
    is_same = not hidden
    for field in structs.fields(kind):
        if field.name in hidden:
            continue
        hint = _of(field.type)
        is_same = is_same and hint == field.type and field.required
        # what a quote made by an earlier version lacks stays out, so that its bytes are the same
        rest = {} if field.required else {"default": UNSET}
        hint = hint if field.required else hint | UnsetType
        fields.append((field.name, hint, msgspec.field(name=field.encode_name, **rest)))
    if is_same:
        return kind
    return msgspec.defstruct(
        f"Shown{kind.__name__}",
        fields,
        frozen=True,
        kw_only=True,
        module=__name__,
        namespace={"__doc__": f"{kind.__doc__}\n\n    As its customer sees it."},
    )


def _of(hint: Any) -> Any:
    """Return a type with every struct in it projected."""
    if isinstance(hint, type) and issubclass(hint, Struct):
        return _projected(hint)
    origin, args = get_origin(hint), get_args(hint)
    if origin is Annotated:
        return Annotated[(_of(args[0]), *args[1:])]
    if origin in (Union, UnionType):
        return reduce(or_, map(_of, args))
    if origin is tuple:
        return tuple[tuple(map(_of, args))]  # type: ignore[misc]  # built while running
    return hint


if TYPE_CHECKING:
    ShownQuote = Quote
    ShownChange = Change
else:
    ShownQuote = _projected(Quote)
    ShownChange = _projected(Change)

_decode: Final = msgspec.json.Decoder(ShownQuote).decode


def for_customer(answer: bytes) -> bytes:
    """Return the part of a quote that its customer sees, as JSON, from the quote's JSON.

    The same quote always gives the same bytes.
    """
    shown = _decode(answer)
    jobs = tuple(structs.replace(job, why=customers_reasons(job.why)) for job in shown.jobs)
    return msgspec.json.encode(structs.replace(shown, jobs=jobs))


def change_for_customer(change: Change) -> ShownChange:
    """Return the part of a change that the customer sees."""
    return msgspec.convert(msgspec.to_builtins(change), ShownChange)


def customers_reasons(reasons: Iterable[Reason]) -> tuple[Reason, ...]:
    """Return the reasons of a job without those that were said inside the shop."""
    return tuple(why for why in reasons if why.code not in SAID_INSIDE)
