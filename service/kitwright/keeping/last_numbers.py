"""Last numbers: the last invoice and the last credit note that were handed out before a restore, as
the owner tells them, and corrects them.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

from kitwright.keeping.acts import ActRefused
from kitwright.keeping.bill_gaps import last_told
from kitwright.keeping.bill_numbers import series_in
from kitwright.keeping.event import add_event
from kitwright.keeping.record import BillKind, Stamp, bill_name
from kitwright.keeping.store import Records

_A_DAY: Final = 200
"""More invoices, or credit notes, than the busiest counter makes in a day: one in three minutes,
for ten hours.
"""


class LastNumberMissing(ActRefused):
    """Invoices were made before the backup, and the owner has not said which was the last one that
    was handed out.
    """

    code = "last-number-missing"

    def __init__(self, known: str) -> None:
        super().__init__(
            f"{known} is the last number that is known: give the last one of that series that was "
            "handed out in `last_numbers`, even if it is the same, because the next document "
            "begins another series"
        )
        self.known = known


class LastNumberLower(ActRefused):
    """A last number that is below one that is known."""

    code = "last-number-lower"

    def __init__(self, given: str, known: str) -> None:
        super().__init__(f"{given} is before {known}, which is known")
        self.given = given
        self.known = known


class LastNumberUnlikely(ActRefused):
    """A last number that is further on than a shop gets between a backup and its restore."""

    code = "last-number-unlikely"

    def __init__(self, given: str, most: str) -> None:
        super().__init__(
            f"{given} is not plausible: at {_A_DAY} documents a day since the backup the last "
            f"number is {most} at most; give the last one that was handed out"
        )
        self.given = given
        self.most = most


class LastNumberFixed(ActRefused):
    """A last number that can't be corrected any longer, or was never told."""

    code = "last-number-fixed"

    def __init__(self, given: str, why: str) -> None:
        super().__init__(f"{given} does not become the last number of its series: {why}")
        self.given = given


def may_go_on(records: Records) -> tuple[tuple[str, int], ...]:
    """Return the newest series of invoices, and that of credit notes, with their last places."""
    newest = {series[:1]: (series, place) for series, place in records.bills.series()}
    return tuple(newest.values())


def check_last(records: Records, given: Sequence[str]) -> None:
    """Raise unless there is a number for each series that may have gone on, and none is too low.

    Raises: LastNumberMissing, LastNumberLower.
    """
    told: dict[str, int] = {}
    for number in given:
        series, _, digits = number.rpartition("-")
        told[series] = int(digits) if digits.isascii() and digits.isdigit() else 0
    for series, place in may_go_on(records):
        known = bill_name(series, place)
        if series not in told:
            raise LastNumberMissing(known)
        if told[series] < place:
            raise LastNumberLower(bill_name(series, told[series]), known)


def check_plausible(records: Records, stamp: Stamp, given: Sequence[str]) -> None:
    """Raise LastNumberUnlikely if a number is beyond what can have been handed out between the
    backup and the release.
    """
    held = records.generations.current()
    passed = (held.released_at or stamp.at) - (held.taken_at or held.begun_at)
    more = _A_DAY * (max(passed.days, 0) + 1)
    known = dict(may_go_on(records))
    for number in given:
        series, _, digits = number.rpartition("-")
        most = known.get(series, 0) + more
        if digits.isascii() and digits.isdigit() and int(digits) > most:
            raise LastNumberUnlikely(number, bill_name(series, most))


def correct_last(records: Records, stamp: Stamp, given: Sequence[str]) -> None:
    """Keep that last numbers were told wrongly as the folder was released. Numbers of series that
    are not given stay as they were told.

    The series of a generation says where the one before it ended, so once a document has a number
    of it, that is told to the outside too, and stays.

    Raises: LastNumberFixed, LastNumberLower, LastNumberUnlikely.
    """
    generation, told = records.generations.current(), last_told(records)
    known = dict(may_go_on(records))
    for number in given:
        series, _, digits = number.rpartition("-")
        kind = BillKind.credit_note if series.startswith("C") else BillKind.invoice
        now = series_in(generation, kind)
        made = records.bills.last(now)
        if made:
            raise LastNumberFixed(
                number, f"{bill_name(now, made)} was made since, in the series that goes on from it"
            )
        if generation.is_held or series not in told or series not in known:
            raise LastNumberFixed(number, "none was told of it at the release before this series")
        if int(digits) < known[series]:
            raise LastNumberLower(number, bill_name(series, known[series]))
    check_plausible(records, stamp, given)
    facts = {"epoch": generation.epoch, "last_numbers": ", ".join(given)}
    add_event(records, stamp, "records.corrected", f"generation:{generation.number}", facts)
