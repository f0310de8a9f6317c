"""Contingencies of a revision, arranged for reading."""

from __future__ import annotations

from collections.abc import Iterator, Sequence, Set

from msgspec import Struct

from kitwright.language.scribe import Scribe
from kitwright.quote import Amount, Contingency, Quote


class ViewContingency(Struct, frozen=True, kw_only=True):
    """A contingency: its meaning, and the amount that it would add.

    `under` names the contingency that must be found first, which is listed above; empty if there is
    none.
    """

    name: str
    under: str
    mark: str
    plain: str
    amount: str


class ViewSum(Struct, frozen=True, kw_only=True):
    """The total of the quote with some of its contingencies."""

    label: str
    amount: str
    weight: str


def contingencies_of(quote: Quote, scribe: Scribe) -> list[ViewContingency]:
    """Return the contingencies, the most probable first, each followed by those that depend on it.
    One that is the same on several cylinders is listed once, except one that could be on any
    cylinder.
    """
    return [*_under(quote.may_turn_up, frozenset({None}), "", scribe)]


def _under(
    found: Sequence[Contingency],
    above: Set[tuple[str, int | None] | None],
    under: str,
    scribe: Scribe,
) -> Iterator[ViewContingency]:
    """Yield the contingencies that depend on given ones, each followed by those that depend on
    it.
    """
    same: dict[tuple[str, str, Amount, bool, bool], list[Contingency]] = {}
    for one in found:
        if one.under in above:
            alike = (one.name, one.plain, one.price, one.likely, one.cylinder is None)
            same.setdefault(alike, []).append(one)
    for (name, plain, price, is_likely, _), members in same.items():
        told = scribe.on_one_of(name, [one.cylinder for one in members if one.cylinder])
        yield ViewContingency(
            name=told,
            under=under,
            mark=scribe.say("could well be found") if is_likely else "",
            plain=plain,
            amount=_money(price, scribe),
        )
        below = scribe.say("in addition, only if this is found: {thing}", thing=told)
        yield from _under(found, {one.place for one in members}, below, scribe)


def sums_of(quote: Quote, scribe: Scribe) -> list[ViewSum]:
    """Return the totals of the quote as it is, with all likely contingencies if there are any, and
    with the most expensive combination. It is empty without contingencies.
    """
    found = quote.contingencies
    if found is None or not found.each:
        return []
    say = scribe.say
    stands = say("Current total") if quote.is_added_to else say("As quoted")
    rows = [(stands, found.as_quoted, "plain")]
    if any(one.likely for one in found.each):
        rows.append((say('With all items marked "could well be found"'), found.likely, "plain"))
    rows.append((say("Highest total from the items listed"), found.worst, "most"))
    return [
        ViewSum(label=label, amount=_money(amount, scribe), weight=weight)
        for label, amount, weight in rows
    ]


def looked_for(quote: Quote, scribe: Scribe) -> Iterator[tuple[str, str]]:
    """Yield the contingencies that the bench looks for, and the work that each adds, without
    prices.
    """
    yield from _looked_for(quote.may_turn_up, None, "", scribe)


def _looked_for(
    found: Sequence[Contingency],
    above: tuple[str, int | None] | None,
    under: str,
    scribe: Scribe,
) -> Iterator[tuple[str, str]]:
    for one in found:
        if one.under == above:
            named = scribe.on_cylinder(one.name, one.cylinder)
            yield named, "; ".join(filter(None, (under, _brings(one, scribe))))
            below = scribe.say("only if this is found: {thing}", thing=named)
            yield from _looked_for(found, one.place, below, scribe)


def _brings(one: Contingency, scribe: Scribe) -> str:
    if not one.jobs:
        # no job: a part that is replaced together with those that the visit replaces anyway
        return one.plain
    jobs = "; ".join(scribe.on_cylinder(job.name, job.cylinder) for job in one.jobs)
    return scribe.say("then needed: {jobs}", jobs=jobs)


def _money(amount: Amount, scribe: Scribe) -> str:
    return scribe.money(amount.amount, amount.currency)
