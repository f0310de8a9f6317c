"""What may turn up on a kept revision, arranged for reading."""

from __future__ import annotations

from collections.abc import Iterator

from msgspec import Struct

from kitwright.documents.paper import Amount, PaperContingency, QuotePaper
from kitwright.language.scribe import Scribe


class ViewContingency(Struct, frozen=True, kw_only=True):
    """Something that may turn up: what it means, and what it would add."""

    name: str
    mark: str
    plain: str
    amount: str


class ViewSum(Struct, frozen=True, kw_only=True):
    """What the quote comes to with some of what may turn up."""

    label: str
    amount: str
    weight: str


def contingencies_of(paper: QuotePaper, scribe: Scribe) -> list[ViewContingency]:
    """Return what may turn up, the most probable first; what is the same on several cylinders
    once, but for what may be on any.
    """
    same: dict[tuple[str, str, Amount, bool, bool], list[int]] = {}
    for one in paper.may_turn_up:
        alike = (one.name, one.plain, one.price, one.likely, one.cylinder is None)
        cylinders = same.setdefault(alike, [])
        cylinders += [] if one.cylinder is None else [one.cylinder]
    return [
        ViewContingency(
            name=scribe.on_one_of(name, cylinders),
            mark=scribe.say("may well be") if is_likely else "",
            plain=plain,
            amount=_money(price, scribe),
        )
        for (name, plain, price, is_likely, _), cylinders in same.items()
    ]


def sums_of(paper: QuotePaper, scribe: Scribe) -> list[ViewSum]:
    """Return what the quote comes to as it stands, with all that is likely where anything is, and
    at the worst.
    """
    found = paper.contingencies
    if found is None or not found.each:
        return []
    say = scribe.say
    stands = say("As it stands") if paper.is_added_to else say("As quoted")
    rows = [(stands, found.as_quoted, "plain")]
    if any(one.likely for one in found.each):
        rows.append((say("With all of it that may well be"), found.likely, "plain"))
    rows.append((say("At the most, whatever of this turns up"), found.worst, "most"))
    return [
        ViewSum(label=label, amount=_money(amount, scribe), weight=weight)
        for label, amount, weight in rows
    ]


def looked_for(paper: QuotePaper, scribe: Scribe) -> Iterator[tuple[str, str]]:
    """Yield what the bench looks for, and the work that it would bring, without prices."""
    for one in paper.may_turn_up:
        yield scribe.on_cylinder(one.name, one.cylinder), _brings(one, scribe)


def _brings(one: PaperContingency, scribe: Scribe) -> str:
    if not one.jobs:
        # no job: a part that is renewed with those that the visit renews anyway
        return one.plain
    jobs = "; ".join(scribe.on_cylinder(job.name, job.cylinder) for job in one.jobs)
    return scribe.say("brings: {jobs}", jobs=jobs)


def _money(amount: Amount, scribe: Scribe) -> str:
    return scribe.money(amount.amount, amount.currency)
