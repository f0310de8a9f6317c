"""Linked: records that the machine of a quote came back, as its newest revision says."""

from __future__ import annotations

from datetime import date

import msgspec
from msgspec import Struct

from kitwright.keeping.aftercare import KeptComeBack
from kitwright.keeping.record import Revision, Stamp
from kitwright.keeping.store import Records


class _Job(Struct, frozen=True):
    job: str


class _Answered(Struct, frozen=True, kw_only=True):
    """How the shop's warranty applies, as far as it is recorded."""

    quote: str
    on: date
    ground: str
    cause: str | None = None
    jobs: tuple[_Job, ...] = ()
    part: str | None = None
    reason: str | None = None
    by: str | None = None


class _Answer(Struct, frozen=True):
    comes_back: _Answered | None = None


def keep_link(records: Records, stamp: Stamp, revision: Revision) -> KeptComeBack | None:
    """Record that the machine of a revision's quote came back; return that, None if it did not."""
    found = msgspec.json.decode(revision.answer, type=_Answer).comes_back
    if found is None:
        return None
    kept = KeptComeBack(
        quote=revision.quote,
        # as it goes over the wire: Q and the number
        visit=int(found.quote[1:]),
        day=found.on,
        cause=found.cause,
        ground=found.ground,
        jobs=tuple(dict.fromkeys(one.job for one in found.jobs)),
        part=found.part,
        reason=found.reason,
        who=found.by,
        at=stamp.at,
    )
    is_kept = records.come_backs.get(revision.quote) is not None
    (records.come_backs.put if is_kept else records.come_backs.add)(kept)
    return kept
