"""Teller: reasons, needs and covers in the form that a quote has, in one language."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from decimal import Decimal
from fractions import Fraction
from typing import Final, TypeVar, cast
from weakref import WeakKeyDictionary

from kitwright import quote as wire
from kitwright.language.render import Speaker
from kitwright.memory import Recent
from kitwright.money import Money
from kitwright.quote import amount_of
from kitwright.stages.kit import Covered, Need
from kitwright.stages.why import Why
from kitwright.stages.work import Operation
from kitwright.units import REC20, decimal_text

T = TypeVar("T")
U = TypeVar("U")


MOST_TOLD: Final = 2_048
"""Things whose telling is remembered in each language."""

TOLD: Final[WeakKeyDictionary[Speaker, Recent[int, tuple[object, object]]]] = WeakKeyDictionary()
"""What was told lately, by speaker and by the identity of what it tells, which is kept with it."""


class Teller:
    """Turns reasons, needs and jobs into members of a quote, in one language."""

    def __init__(self, speaker: Speaker) -> None:
        self.speaker = speaker
        self._told = TOLD.setdefault(speaker, Recent(MOST_TOLD))

    def once(self, thing: T, tell: Callable[[T], U]) -> U:
        """Return what `tell` makes of a thing, which is remembered by its identity.

        This is for what other quotes contain too, such as needs and the lines of goods. A thing is
        kept with what is told of it, so that no other one has its identity.
        """
        known = self._told.get(id(thing))
        if known is None:
            known = thing, tell(thing)
            self._told.put(id(thing), known)
        return cast(U, known[1])

    def whys(self, reasons: Iterable[Why]) -> tuple[wire.Reason, ...]:
        """Return reasons with their facts and sentences."""
        return tuple(map(self._why, reasons))

    def known_whys(self, reasons: Iterable[Why]) -> tuple[wire.Reason, ...]:
        """Return reasons that other quotes have too."""
        return tuple(self.once(why, self._why) for why in reasons)

    def _why(self, why: Why) -> wire.Reason:
        return wire.Reason(
            code=why.code,
            facts={name: _fact(fact) for name, fact in why.facts.items()},
            text=self.speaker.sentence(why),
        )

    def need(self, need: Need) -> wire.Need:
        """Return a need."""
        return wire.Need(
            role=need.role,
            cylinder=need.cylinder,
            part=need.item,
            name=self.speaker.item(need.item),
            quantity=decimal_text(need.quantity),
            unit=REC20[need.unit],
            measure=need.unit,
            kind=need.kind.value,
            why=self.known_whys(need.why),
        )

    def job(self, operation: Operation) -> wire.JobOn:
        """Return a job on its cylinder."""
        job = operation.job.id
        return wire.JobOn(job=job, name=self.speaker.job(job), cylinder=operation.cylinder)

    def step(self, step: str) -> str:
        """Return the name of a step that has a hazard: a component, a piece of work or a
        consumable.
        """
        named = self.speaker.item(step)
        return named if named != step else self.speaker.instance(step)


def _fact(fact: object) -> str | int | wire.Amount | None:
    if isinstance(fact, Money):
        return amount_of(fact)
    if fact is None or isinstance(fact, str | int):
        return fact
    return decimal_text(fact) if isinstance(fact, Decimal | Fraction) else str(fact)


def covers_of(covers: Iterable[Covered]) -> tuple[wire.Cover, ...]:
    """Return the quantities of needs that packs fill."""
    return tuple(
        wire.Cover(
            role=each.need.role,
            cylinder=each.need.cylinder,
            part=each.need.item,
            quantity=decimal_text(each.quantity),
            fitted=each.number,
        )
        for each in covers
    )
