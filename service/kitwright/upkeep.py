"""Upkeep: the commands that back up, restore, try out and release a data folder, in plain words."""

from __future__ import annotations

import re
import time
from argparse import Namespace
from collections.abc import Callable, Iterator
from contextlib import closing, contextmanager
from datetime import datetime, timedelta
from pathlib import Path
from typing import Final

from msgspec import structs

from kitwright.app import make_service
from kitwright.errors import KitwrightError
from kitwright.folder import belonging_of
from kitwright.keeping.closing import Ledger
from kitwright.keeping.generation import Belonging, check_belonging
from kitwright.keeping.record import Hand, Stamp
from kitwright.keeping.release import NotConfirmed, Report, WaitingMail, release, report
from kitwright.keeping.store import Records
from kitwright.settings import Settings
from kitwright.store.backup import back_up
from kitwright.store.closings import read_ledger
from kitwright.store.doctor import Severity
from kitwright.store.drill import drill
from kitwright.store.engine import FILE, SqliteStore
from kitwright.store.failure import of_disk
from kitwright.store.lock import hold_folder
from kitwright.store.restore import restore
from kitwright.store.snapshots import NEWEST, choose_snapshot, newest_ledger, take_snapshot
from kitwright.web.calls.desk import utc_now
from kitwright.web.calls.erasure import redact

Show = Callable[[str], None]
"""Prints a line."""

_INTERVAL: Final = re.compile(r"([1-9][0-9]{0,5})([smhd])", re.ASCII)
_UNITS: Final = {"s": "seconds", "m": "minutes", "h": "hours", "d": "days"}
_SHOWN: Final = 10
"""How many quotes or orders are listed by their ids."""


class OptionInvalid(KitwrightError):
    """An option of a command that is not as expected."""

    code = "option-invalid"


class NoDatabase(KitwrightError):
    """A data folder without a database."""

    code = "no-database"

    def __init__(self, folder: Path) -> None:
        super().__init__(f"no database in {folder}: give the data folder with --data")
        self.folder = folder


def counted(number: int, one: str, many: str | None = None) -> str:
    """Return a number with its noun; `many` is the plural if it is not `one` with an s."""
    return f"{number} {one if number == 1 else many or f'{one}s'}"


def back_up_folder(given: Namespace, settings: Settings, show: Show, complain: Show) -> int:
    """Back up to a file, or take snapshots; return the exit code."""
    target = Path(given.file)
    if given.every is None and not target.is_dir():
        if given.keep is not None:
            raise OptionInvalid(
                f"--keep is for a folder of snapshots, and {target} is not a folder"
            )
        done = back_up(settings.data, target)
        for sha256 in done.missing:
            complain(f"photograph {sha256} has no file, so it is not in the backup")
        show(f"backed up: the database and {counted(done.photos, 'photograph')} in {target}")
        return 0
    keep = _number(given.keep)
    every = None if given.every is None else _interval(given.every)
    _snapshot(settings, target, keep, show, complain)
    while every is not None:
        time.sleep(every.total_seconds())
        try:
            _snapshot(settings, target, keep, show, complain)
        except KitwrightError as error:
            # the next one may succeed: a disk that was full or unplugged comes back
            complain(f"{utc_now():%Y-%m-%d %H:%M:%S} UTC: no snapshot: {error}")
    return 0


def _snapshot(settings: Settings, into: Path, keep: int, show: Show, complain: Show) -> None:
    taken = take_snapshot(settings.data, into, newest=keep)
    for sha256 in taken.manifest.missing:
        complain(f"photograph {sha256} has no file, so it is not in the snapshot")
    photos = counted(taken.manifest.photos, "photograph")
    dropped = f"; deleted: {counted(len(taken.dropped), 'older snapshot')}" if taken.dropped else ""
    show(f"backed up: the database and {photos} in {taken.file}{dropped}")


def restore_folder(given: Namespace, settings: Settings, show: Show) -> int:
    """Restore a backup, and say what is missing and what to do next; return the exit code."""
    folder, to = settings.data, _moment(given.to)
    source, later = _chosen(Path(given.file), to)
    ledger = _ledger(given)
    restored = restore(source, folder, redact=redact, ledger=ledger)
    manifest, generation = restored.manifest, restored.generation
    taken = manifest.taken_at.isoformat(timespec="seconds")
    photos = counted(manifest.photos, "photograph")
    show(f"restored: the database and {photos}, as of {taken}, in {folder}")
    if later is not None:
        show(f"the next snapshot is of {later.isoformat(timespec='seconds')}")
    lost = spelled(generation.begun_at - manifest.taken_at)
    show(f"missing: everything done after that ({lost} until now)")
    if restored.closed:
        closed = counted(restored.closed, "erasure or revocation", "erasures and revocations")
        show(f"repeated from the ledger: {closed}")
    if not generation.is_confirmed:
        until = generation.known_until
        known = (
            "no ledger newer than the backup is known"
            if ledger is None or until is None
            else f"{ledger[0]} is older than the backup: it is of {until:%Y-%m-%d %H:%M:%S} UTC"
        )
        show(
            f"{known}, so customers erased and keys revoked since are not known: old keys, links "
            "and personal data stay closed until you confirm them"
        )
        if ledger is None:
            show("if closings.json of the lost folder is left, restore again with --ledger")
        show(f"for a key that works now, run `kitwright owner-key --data {folder}`")
    show("the folder is held: no e-mail, webhook event or link goes out yet")
    show(f"next: kitwright release --data {folder}")
    return 0


def _chosen(source: Path, to: datetime | None) -> tuple[Path, datetime | None]:
    if to is not None and not source.is_dir():
        raise OptionInvalid(f"--to is for snapshots in a folder: {source} is not one")
    return choose_snapshot(source, to)


def _ledger(given: Namespace) -> tuple[Path, Ledger] | None:
    """Return the ledger to repeat, and its file. Raises: LedgerUnreadable, StoreUnavailable."""
    if given.ledger is None:
        source = Path(given.file)
        return newest_ledger(source) if source.is_dir() else None
    file = Path(given.ledger)
    try:
        return file, read_ledger(file)
    except OSError as error:
        raise of_disk(error, f"can't read {file}") from error


def try_restore(given: Namespace, show: Show, complain: Show) -> int:
    """Restore a backup for trial, and say what was found; return the exit code."""
    source, _ = _chosen(Path(given.file), _moment(given.to))
    tried = drill(
        source, redact=redact, within=None if given.within is None else Path(given.within)
    )
    manifest = tried.restored.manifest
    held = ", ".join(f"{count} {kind}" for kind, count in tried.counts.items())
    show(f"tried: {source}, as of {manifest.taken_at.isoformat(timespec='seconds')}")
    show(f"restored and checked in {tried.seconds:.1f} s: {held}")
    errors = [one for one in tried.findings if one.severity is Severity.error]
    for finding in errors:
        show(str(finding))
    for sha256 in manifest.missing:
        complain(f"photograph {sha256} was missing when the backup was made")
    show(f"if the data folder were lost now, the last {spelled(tried.age)} would be missing")
    if errors:
        complain(f"{counted(len(errors), 'error')} in {source}: restore an older backup")
        return 1
    show("this backup can be restored; the trial was deleted")
    return 0


def release_folder(given: Namespace, settings: Settings, show: Show, complain: Show) -> int:
    """Print what a restored folder would send, and release it if so asked; return the exit code."""
    with _opened(settings, "kitwright release") as store:
        found = store.read(report)
        for line in told(found):
            show(line)
        if not found.generation.is_held:
            return 0
        if not given.yes:
            show("")
            show("nothing is released yet; to release, run:")
            show(f"  {_next_command(found, settings.data)}")
            return 0
        now = utc_now()
        stamp = Stamp(at=now, today=now.date(), hand=Hand.service, by="command")

        def work(records: Records) -> None:
            release(
                records,
                stamp,
                mail=given.mail,
                webhooks=given.webhooks,
                is_confirmed=given.confirm,
                last_numbers=tuple(given.numbers.split(",")) if given.numbers else (),
            )

        try:
            store.write_now(work)
        except NotConfirmed as error:
            complain(f"{error} with --confirm")
            return 1
    show("")
    show("released: e-mails, webhook events and links work again")
    return 0


def _next_command(found: Report, folder: Path) -> str:
    options = ["--yes"]
    if not found.generation.is_confirmed:
        options.append("--confirm")
    if found.mails:
        options.append("--mail drop (or send)")
    if found.events:
        options.append("--webhooks send (or drop)")
    if found.last_numbers:
        options.append(f"--numbers {','.join(found.last_numbers)} (or later ones)")
    return f"kitwright release --data {folder} {' '.join(options)}"


def told(found: Report) -> Iterator[str]:
    """Yield the lines of a report."""
    generation = found.generation
    if not generation.is_held or generation.taken_at is None:
        yield "this folder is not held: e-mails, webhook events and links already go out"
        return
    lost = spelled(generation.begun_at - generation.taken_at)
    yield (
        f"restored on {generation.begun_at:%Y-%m-%d %H:%M} UTC from a backup of "
        f"{generation.taken_at:%Y-%m-%d %H:%M} UTC"
    )
    yield ""
    yield "would go out:"
    mails = counted(len(found.mails), "e-mail")
    listed = _listed([_subject(mail) for mail in found.mails])
    yield f"  {mails} that may have been sent after the backup{listed}"
    for hook, events in found.events:
        yield f"  {counted(events, 'event')} to webhook W{hook}"
    offers = counted(len(found.offers), "offer")
    yield f"  links: {offers} can be accepted{_listed([f'Q{one}' for one in found.offers])}"
    yield ""
    yield "keys that work" + ("" if generation.is_confirmed else " once you confirm them") + ":"
    for key in found.keys:
        used = "never used" if key.last_used_on is None else f"last used on {key.last_used_on}"
        yield f"  {key.id}: {key.name} ({', '.join(sorted(key.scopes))}), {used}"
    yield ""
    yield "not known:"
    yield (
        f"  work of the {lost} after the backup: quotes, acceptances, orders, customers, e-mails "
        "sent"
    )
    if found.last_numbers:
        yield f"  invoices and credit notes after {', '.join(found.last_numbers)}"
    if found.missing:
        gone = ", ".join(found.missing)
        yield f"  invoices and credit notes to be entered from their copies: {gone}"
    known = generation.known_until
    if known is not None:
        yield f"  erasures and revocations after {known:%Y-%m-%d %H:%M} UTC"


def _subject(mail: WaitingMail) -> str:
    """Return the id of what an e-mail is about: a purchase order or a quote."""
    return f"Q{mail.quote}" if mail.order is None else f"O{mail.order}"


def _listed(names: list[str]) -> str:
    distinct = list(dict.fromkeys(names))
    more = f" and {len(distinct) - _SHOWN} more" if len(distinct) > _SHOWN else ""
    return f": {', '.join(distinct[:_SHOWN])}{more}" if distinct else ""


def adopt_folder(settings: Settings, show: Show) -> int:
    """Make a folder that of its shop's present tax area and catalogue; return the exit code."""
    service = make_service(settings)
    asked = belonging_of(service)
    with _opened(settings, "kitwright adopt") as store:

        def work(records: Records) -> Belonging:
            kept = records.generations.belonging()
            # tax area and catalogue may change, the rest may not
            check_belonging(structs.replace(kept, tax_area=asked.tax_area, families=()), asked)
            records.generations.belong(asked)
            return kept

        before = store.write_now(work)
    if before == asked:
        show(f"{settings.data} already belongs to this shop, tax area and catalogue")
    else:
        show(f"{settings.data} now belongs to {asked.shop} with the tax area {asked.tax_area}")
    return 0


@contextmanager
def _opened(settings: Settings, purpose: str) -> Iterator[SqliteStore]:
    """Return the store of a data folder, which is locked meanwhile.

    Raises: NoDatabase, FolderLocked, StoreError.
    """
    if not (settings.data / FILE).is_file():
        raise NoDatabase(settings.data)
    with hold_folder(settings.data, purpose), closing(SqliteStore.open(settings.data)) as store:
        yield store


def spelled(time: timedelta) -> str:
    """Return a duration in words, in its two largest units."""
    left = max(0, int(time.total_seconds()))
    parts: list[str] = []
    for size, name in ((86_400, "day"), (3600, "hour"), (60, "minute"), (1, "second")):
        count, left = divmod(left, size)
        if count or parts:
            parts.append(counted(count, name) if count else "")
    return " ".join(filter(None, parts[:2])) or "0 seconds"


def _interval(text: str) -> timedelta:
    """Return an interval such as 15m. Raises: OptionInvalid."""
    found = _INTERVAL.fullmatch(text)
    if found is None:
        raise OptionInvalid(f"--every is {text!r}, but must be a number and s, m, h or d: 15m, 1h")
    return timedelta(**{_UNITS[found[2]]: int(found[1])})


def _number(text: str | None) -> int:
    """Return how many snapshots to keep. Raises: OptionInvalid."""
    if text is None:
        return NEWEST
    if not (text.isascii() and text.isdigit() and 0 < len(text) < 7 and int(text)):
        raise OptionInvalid(f"--keep is {text!r}, but must be a whole number from 1")
    return int(text)


def _moment(text: str | None) -> datetime | None:
    """Return a time, by this machine's clock if it has no offset. Raises: OptionInvalid."""
    if text is None:
        return None
    try:
        return datetime.fromisoformat(text).astimezone()
    except ValueError:
        raise OptionInvalid(
            f"--to is {text!r}, but must be a day or a time such as '2027-03-01 14:30'"
        ) from None
