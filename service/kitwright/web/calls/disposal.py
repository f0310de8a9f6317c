"""Disposal: deletes the files that erased or deleted records needed, until none is left.

Each file is named in a record of its own, in the transaction after which nothing needs it. The
record goes once the file is gone, so that a process that breaks off leaves no file behind.
"""

from __future__ import annotations

import asyncio
import logging
from collections.abc import Callable, Sequence
from contextlib import suppress
from functools import partial
from typing import Final

from kitwright.keeping.erasing import StillAtWork, begin_erasure
from kitwright.keeping.erasure_steps import DamageLeft, Step, erase_in_steps
from kitwright.keeping.people import AlreadyErased
from kitwright.keeping.record import (
    Disposal,
    DisposalKind,
    Erasure,
    Hand,
    Retention,
    RetentionWhy,
    Stamp,
)
from kitwright.keeping.retaining import Terms, ended, forget_invoices
from kitwright.keeping.store import Records, StoreError
from kitwright.web.calls.desk import Desk
from kitwright.web.calls.erasure import redact

_LOG = logging.getLogger(__name__)
_MOST: Final = 32
"""How many files are deleted between two transactions."""


async def dispose(desk: Desk) -> bool:
    """Delete the files that are to be deleted; return whether all are gone.

    A file that can't be deleted now is tried again at the next call.
    """
    is_done = True
    found = desk.store.read(partial(_next, after=0))
    while found:
        needed = desk.store.read(lambda records: records.photos.hashes())
        gone = await asyncio.to_thread(_delete, desk, found, needed)
        is_done = is_done and len(gone) == len(found)
        await desk.store.write(partial(_forget, gone=gone))
        found = desk.store.read(partial(_next, after=found[-1].number))
    return is_done


def _next(records: Records, after: int) -> tuple[Disposal, ...]:
    return records.disposals.next(after, _MOST)


def _delete(desk: Desk, found: Sequence[Disposal], needed: frozenset[str]) -> list[int]:
    """Delete files; return the numbers of the disposals that are done."""
    gone = []
    for disposal in found:
        try:
            if disposal.kind is DisposalKind.letter:
                desk.forget_mail(disposal.name)
            elif disposal.name not in needed:
                # held by whoever stores a file, so that the two can't overlap
                with desk.file_lock:
                    if disposal.name not in desk.arriving:
                        desk.files.drop(disposal.name)
        except (OSError, StoreError) as error:
            _LOG.warning("a %s's file was not deleted: %s", disposal.kind.value, error)
        else:
            gone.append(disposal.number)
    return gone


def _forget(records: Records, gone: Sequence[int]) -> None:
    for number in gone:
        records.disposals.drop(number)


async def erase(desk: Desk, begin: Callable[[Records], Erasure]) -> Erasure:
    """Erase a customer, files included; return what was erased. `begin` begins the erasure.

    Raises: StoreFull, StoreUnavailable, then it is finished later; DamageLeft, if something can't
        be erased; what `begin` raises.
    """
    async with desk.erase_lock:
        done = await _finish(desk, await desk.store.write(begin))
        await dispose(desk)
    if done.damaged:
        raise DamageLeft(done.erasure.customer, done.damaged)
    return done.erasure


async def finish_everything(desk: Desk) -> bool:
    """Finish the erasures that were broken off, and delete the files that are to be deleted;
    return whether nothing is left to do.

    Raises: StoreFull, StoreUnavailable.
    """
    async with desk.erase_lock:
        await _end_retentions(desk)
        for erasure in desk.store.read(lambda records: records.erasures.every()):
            done = await _finish(desk, erasure)
            if done.damaged:
                _LOG.error("%s", DamageLeft(erasure.customer, done.damaged))
        return await dispose(desk)


async def _end_retentions(desk: Desk) -> None:
    """Erase what stayed of customers and is not needed any longer, or begin to."""
    # held records change only by their owner's hand
    if desk.gate.generation.is_held:
        return
    stamp, terms = desk.stamp(Hand.service, "retention"), desk.retention
    over = desk.store.read(lambda records: tuple(ended(records, terms, stamp.today)))
    for one in over:
        with suppress(StillAtWork, AlreadyErased):
            await desk.store.write(partial(_end, stamp=stamp, terms=terms, one=one))


def _end(records: Records, stamp: Stamp, terms: Terms, one: Retention) -> None:
    if one.why is RetentionWhy.invoices:
        forget_invoices(records, stamp, one)
        return
    customer = records.customers.get(one.customer)
    if customer is not None:
        begin_erasure(records, stamp, customer, terms=terms)


async def _finish(desk: Desk, erasure: Erasure) -> Step:
    return await erase_in_steps(desk.store, erasure, redact=redact, rest=_rest)


async def _rest() -> None:
    await asyncio.sleep(0)
