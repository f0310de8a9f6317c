"""Erasure steps: each erases a little more of a customer, and notes how far it came."""

from __future__ import annotations

from collections.abc import Awaitable, Callable, Container, Iterable
from time import monotonic
from typing import Final

from msgspec import Struct, structs

from kitwright.keeping.erasing import begin_erasure
from kitwright.keeping.erasure_work import ADDRESS, DAMAGED, HasTime, Redact, Work, forget_requests
from kitwright.keeping.event import Facts, add_event
from kitwright.keeping.record import Customer, Erasure, ErasureStage, Stamp
from kitwright.keeping.retaining import held_quotes
from kitwright.keeping.store import RecordDamaged, Records, Store

_STEP_SECONDS: Final = 0.01
"""How long a step may go on; it may end a little later."""


class DamageLeft(RecordDamaged):
    """Everything of a customer is erased but some damaged records.

    Args:
        damaged: what was found, at least one.
    """

    def __init__(self, customer: int, damaged: Iterable[RecordDamaged]) -> None:
        first, *more = damaged
        super().__init__(first.table, first.key)
        names = (f"{one.table} {' '.join(map(str, one.key))}" for one in (first, *more))
        self.args = (
            f"customer C{customer} is not completely erased: {', '.join(names)} can't be read, and "
            "stay as they are; everything else is erased. `kitwright doctor` lists every damaged "
            "record. Erase the customer again once they are repaired",
        )


class Step(Struct, frozen=True):
    """How far an erasure has come, whether it is the last step, and the damaged records that were
    found and left.
    """

    erasure: Erasure
    is_last: bool
    damaged: tuple[RecordDamaged, ...] = ()


def erase_step(records: Records, number: int, *, redact: Redact, has_time: HasTime) -> Step | None:
    """Erase more of a customer, as long as `has_time` but at least a little; None if no such
    erasure is under way, or only damaged records are left of it.

    Every figure stays: quotes, revisions, limits, orders. Names, contact details, plates, serial
    numbers, words of consent, reasons, photographs and e-mails are erased. `redact` removes
    personal data from a revision's bodies.

    All stored answers to idempotent calls are deleted, because an answer does not say whose data it
    holds. A call of the last day that is sent again afterwards is therefore executed again, unless
    its `If-Match` refuses it.
    """
    erasure = records.erasures.get(number)
    if erasure is None or erasure.stage is ErasureStage.damaged:
        return None
    work = Work(records, erasure, redact, has_time)
    stages = [stage for stage in ErasureStage if stage is not ErasureStage.damaged]
    at, place, is_first = stages.index(erasure.stage), erasure.place, True
    while at < len(stages) and (is_first or has_time()):
        is_first = False
        further = work.unit(stages[at], place)
        at, place = (at + 1, 0) if further is None else (at, further)
    is_last = at == len(stages)
    subject = f"customer:{erasure.customer}"
    if is_last:
        with work.despite_damage():
            forget_requests(records, subject)
    is_done = is_last and DAMAGED not in work.counts
    stage = ErasureStage.damaged if is_last else stages[at]
    email = erasure.email if not is_last or ADDRESS in work.counts else None
    after = structs.replace(erasure, stage=stage, place=place, counts=work.counts, email=email)
    if is_done:
        records.erasures.drop(number)
        left = records.customers.get(erasure.customer)
        version = 0 if left is None else left.version
        if held_quotes(records, erasure.customer):
            facts: Facts = {"version": version, "erased_in_part": 1}
            add_event(records, work.stamp, "customer.changed", subject, facts)
        else:
            add_event(records, work.stamp, "customer.erased", subject, {"version": version})
    else:
        records.erasures.put(after)
    return Step(after, is_last, tuple(work.damaged))


def erase_now(
    records: Records,
    stamp: Stamp,
    customer: Customer,
    *,
    redact: Redact,
    even_at_work: bool = False,
    held: Container[int] = (),
) -> Erasure:
    """Erase a customer in one transaction, however long it takes; return what was erased. The
    quotes `held` stay, and with them the customer's record.

    Raises: AlreadyErased, StillAtWork.
    """
    erasure = begin_erasure(records, stamp, customer, even_at_work=even_at_work, held=held)
    return finish_now(records, erasure, redact=redact)


def finish_now(records: Records, erasure: Erasure, *, redact: Redact) -> Erasure:
    """Finish an erasure in one transaction, however long it takes; return what was erased. It stays
    under way if damaged records are left.
    """
    while step := erase_step(records, erasure.number, redact=redact, has_time=lambda: True):
        erasure = step.erasure
    return erasure


async def erase_in_steps(
    store: Store,
    erasure: Erasure,
    *,
    redact: Redact,
    rest: Callable[[], Awaitable[None]],
) -> Step:
    """Finish an erasure; return the last step, with every damaged record that was left.

    Args:
        rest: called between two steps, to let others write.

    Raises: StoreFull, StoreUnavailable; then it may be finished later.
    """

    def work(records: Records) -> Step | None:
        until = monotonic() + _STEP_SECONDS
        return erase_step(
            records, erasure.number, redact=redact, has_time=lambda: monotonic() < until
        )

    damaged = dict[tuple[str, tuple[object, ...]], RecordDamaged]()
    while step := await store.write(work):
        erasure = step.erasure
        damaged |= {(one.table, one.key): one for one in step.damaged}
        if step.is_last:
            break
        await rest()
    return Step(erasure, is_last=True, damaged=tuple(damaged.values()))
