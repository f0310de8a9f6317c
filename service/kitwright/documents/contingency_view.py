"""Contingency view: the faults that teardown may show, as documents list them."""

from __future__ import annotations

from collections.abc import Iterator, Sequence, Set

from msgspec import Struct

from kitwright.documents.difference_words import difference_told
from kitwright.documents.totals_view import Row, row
from kitwright.language.scribe import Scribe
from kitwright.quote import Amount, Contingency, Quote


class ShownContingency(Struct, frozen=True, kw_only=True):
    """A possible fault, what it means (`plain`), and the cost that it would add.

    `under` says which fault, listed above, has to be found first; it is empty if none has to.
    """

    name: str
    under: str
    mark: str
    plain: str
    amount: str


def contingencies_of(quote: Quote, scribe: Scribe) -> list[ShownContingency]:
    """Return the contingencies, most probable first, each followed by those that depend on it.

    One that is the same on several cylinders is listed once; one on an unknown cylinder is
    listed separately.
    """
    return [*_under(quote.may_turn_up, frozenset({None}), "", scribe)]


def _under(
    found: Sequence[Contingency],
    above: Set[tuple[str, int | None] | None],
    under: str,
    scribe: Scribe,
) -> Iterator[ShownContingency]:
    """Yield the contingencies that depend on those in `above`, each followed by its dependents."""
    same: dict[tuple[str, str, Amount, bool, bool], list[Contingency]] = {}
    for contingency in found:
        if contingency.under in above:
            alike = (
                contingency.name,
                contingency.plain,
                contingency.price,
                contingency.likely,
                contingency.cylinder is None,
            )
            same.setdefault(alike, []).append(contingency)
    for (name, plain, price, is_likely, _), members in same.items():
        cylinders = [member.cylinder for member in members if member.cylinder]
        located = scribe.on_one_of(name, cylinders)
        yield ShownContingency(
            name=located,
            under=under,
            mark=scribe.say("could well be found") if is_likely else "",
            plain=plain,
            amount=difference_told(price, scribe),
        )
        below = scribe.say("in addition, only if this is found: {thing}", thing=located)
        yield from _under(found, {member.place for member in members}, below, scribe)


def sums_of(quote: Quote, scribe: Scribe) -> list[Row]:
    """Return totals of the quote: without contingencies, what it comes to in eight and in nine of
    ten such repairs, and with the most expensive combination.
    """
    found, spread = quote.contingencies, quote.range
    if found is None or not found.each:
        return []
    say = scribe.say
    now = say("Current total") if quote.is_added_to else say("As quoted")
    rows = [row(now, found.as_quoted, scribe)]
    if spread is not None:
        likely = [
            (say("In 8 of 10 such repairs, below about"), spread.p80),
            (say("In 9 of 10 such repairs, below about"), spread.p90),
        ]
        if spread.p80 == spread.p90:
            del likely[0]
        rows += [
            Row(label, scribe.about(amount), "plain")
            for label, amount in likely
            if amount.money > found.as_quoted.money
        ]
    rows.append(
        Row(say("Dearest combination of these items, about"), scribe.about(found.worst), "most")
    )
    return rows


def nested(
    found: Sequence[Contingency], parents: tuple[Contingency, ...] = ()
) -> Iterator[tuple[Contingency, tuple[Contingency, ...]]]:
    """Yield each contingency, followed by those that depend on it, with those that have to be found
    before it, outermost first.
    """
    above = parents[-1].place if parents else None
    for contingency in found:
        if contingency.under == above:
            yield contingency, parents
            yield from nested(found, (*parents, contingency))


def looked_for(quote: Quote, scribe: Scribe) -> Iterator[tuple[str, str]]:
    """Yield each fault to look for at the bench, and the work that it would add; without prices."""
    for contingency, parents in nested(quote.may_turn_up):
        notes = [_work_of(contingency, scribe)]
        if parents:
            notes.insert(
                0, scribe.say("only if this is found: {thing}", thing=scribe.named(parents[-1]))
            )
        yield scribe.named(contingency), "; ".join(filter(None, notes))


def _work_of(contingency: Contingency, scribe: Scribe) -> str:
    if not contingency.jobs:
        # no job: a part that is replaced with those that the visit replaces anyway
        return contingency.plain
    return scribe.say("then needed: {jobs}", jobs=scribe.listed(contingency.jobs))
