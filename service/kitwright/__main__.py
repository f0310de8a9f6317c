"""The `kitwright` command: its commands, and the messages of their errors."""

from __future__ import annotations

import argparse
import json
import os
import sys
from collections.abc import Callable, Mapping, Sequence
from contextlib import closing
from datetime import date, datetime
from pathlib import Path
from typing import Final
from zoneinfo import ZoneInfo

import msgspec

from kitwright import upkeep
from kitwright.app import make_service, openapi_document, serve
from kitwright.catalogue.problems import CatalogueInvalid, CatalogueUnreadable, by_cause
from kitwright.desk_opening import make_owner_key
from kitwright.documents.fonts import fonts
from kitwright.documents.quote_text import quote_text
from kitwright.documents.scripts import told_scripts
from kitwright.errors import KitwrightError, reason_of
from kitwright.examination import examine as examine_catalogue
from kitwright.examination import read_sound
from kitwright.prices.difference import OpenQuote
from kitwright.prices.record import FileNumber
from kitwright.prices.register import SqlitePriceBooks
from kitwright.prices.summary import ProgressBar, difference_lines, found_line
from kitwright.prices.worker import do_job
from kitwright.pricing import job_of, keep_outcome, open_quotes, supplier_of
from kitwright.quote import encode_quote
from kitwright.settings import ENVIRONMENT, Settings, read_settings
from kitwright.stages.request import RequestRefused
from kitwright.store.doctor import Finding, Severity, examine
from kitwright.store.engine import FILE, SqliteStore
from kitwright.store.lock import hold_folder, hold_or_join
from kitwright.store.repair import repair
from kitwright.store.sqlite import sqlite3
from kitwright.touching import Open, touched, what_is_open, with_file
from kitwright.upkeep import counted
from kitwright.usage import read_arguments
from kitwright.web.calls.desk import utc_now
from kitwright.web.calls.wire import AssessmentIn, PreviewIn
from kitwright.web.edge.body import decode
from kitwright.web.edge.negotiate import SVG, TEXT
from kitwright.web.edge.problems import Refusal, pointer

_SOURCE: Final = Path(__file__).parents[2]
"""The repository, if the package runs from its source."""


def main(arguments: Sequence[str] | None = None) -> int:
    """Run the command; return its exit code: 0 done, 1 refused or an error, 2 wrong usage."""
    given = read_arguments(arguments)
    try:
        return _COMMANDS[given.command](given)
    except RequestRefused as error:
        for fault in error.faults:
            print(f"{pointer(fault.path) or 'request'}: {fault}", file=sys.stderr)
    except Refusal as error:
        for each in error.faults:
            print(f"{each.pointer or 'request'}: {each.detail}", file=sys.stderr)
        if not error.faults:
            print(error, file=sys.stderr)
    except BrokenPipeError:
        # the reader has closed the pipe; without this, Python would report it once more at its end
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
    except KitwrightError as error:
        print(error, file=sys.stderr)
    except OSError as error:
        named = f"{error.filename}: " if error.filename else ""
        print(f"{named}{reason_of(error)}", file=sys.stderr)
    except KeyboardInterrupt:
        return 130
    return 1


class FileUnreadable(KitwrightError):
    """A file that can't be read."""

    code = "file-unreadable"

    def __init__(self, file: str, reason: str) -> None:
        super().__init__(f"can't read {file or repr(file)}: {reason}")
        self.file = file


def _settings(given: argparse.Namespace) -> Settings:
    if hasattr(given, "data"):
        # whatever libraries write into a data folder is for its owner alone
        os.umask(0o077)
    return read_settings({name: getattr(given, name, None) for name in ENVIRONMENT})


def _serve(given: argparse.Namespace) -> int:
    serve(_settings(given), _say)
    return 0


def _assess(given: argparse.Namespace) -> int:
    asked = decode(_raw(given.file), AssessmentIn)
    service = make_service(_settings(given))
    if given.json:
        print(msgspec.json.format(msgspec.json.encode(service.assess(asked))).decode())
    else:
        print(service.assessed(asked, SVG if given.svg else TEXT), end="")
    return 0


def _raw(file: str) -> bytes:
    """Return the bytes of a file. Raises: FileUnreadable."""
    try:
        return sys.stdin.buffer.read() if file == "-" else Path(file).read_bytes()
    except OSError as error:
        raise FileUnreadable(file, reason_of(error)) from error


def _quote(given: argparse.Namespace) -> int:
    asked = decode(_raw(given.file), PreviewIn)
    quote = make_service(_settings(given), is_priced=True).quote(asked)
    if given.json:
        print(msgspec.json.format(encode_quote(quote)).decode())
    else:
        print(quote_text(quote), end="")
    return 0


def _check(given: argparse.Namespace) -> int:
    folder = _settings(given).catalog
    try:
        examined = examine_catalogue(folder, date.today())  # noqa: DTZ011 - no zone is at stake
    except (CatalogueUnreadable, CatalogueInvalid) as error:
        causes = by_cause(error.problems)
        for cause in causes:
            print(cause, file=sys.stderr)
        told = counted(len(error.problems), "error")
        if len(causes) < len(error.problems):
            told += f" of {counted(len(causes), 'cause')}"
        print(f"{told} in {folder}", file=sys.stderr)
        return 1
    catalogue = examined.catalogue
    for doubt in by_cause(examined.doubts):
        print(f"warning: {doubt}", file=sys.stderr)
    holds = ", ".join(
        (
            counted(len(catalogue.families), "family", "families"),
            f"{len(catalogue.chassis)} chassis",
            counted(len(catalogue.jobs), "job"),
            counted(len(catalogue.shops), "shop"),
        )
    )
    done = f"{counted(examined.repairs, 'repair')} planned, kitted and priced, "
    done += f"{counted(examined.plans, 'work plan')} gone through"
    warned = f"; {counted(len(examined.doubts), 'warning')}" if examined.doubts else ""
    print(f"catalogue valid: {holds}; {done}{warned}")
    print(f"revision {catalogue.revision}")
    return 0


def _openapi(given: argparse.Namespace) -> int:
    # not with the environment's settings: the stored document is of the starter catalogue
    document = openapi_document(make_service(read_settings({}, {})))
    text = json.dumps(document, indent=2, ensure_ascii=False) + "\n"
    target = _SOURCE / "openapi" / "openapi.json"
    if (given.write or given.check) and not (_SOURCE / "pyproject.toml").is_file():
        print("--write and --check need a source tree", file=sys.stderr)
        return 1
    if given.write:
        target.parent.mkdir(exist_ok=True)
        target.write_text(text, encoding="utf-8")
    elif given.check:
        if not target.is_file() or target.read_text(encoding="utf-8") != text:
            print(f"{target} is out of date: run `kitwright openapi --write`", file=sys.stderr)
            return 1
        print("openapi/openapi.json is current")
    else:
        print(text, end="")
    return 0


def _backup(given: argparse.Namespace) -> int:
    return upkeep.back_up_folder(given, _settings(given), _say, _complain)


def _restore(given: argparse.Namespace) -> int:
    return upkeep.restore_folder(given, _settings(given), _say)


def _release(given: argparse.Namespace) -> int:
    return upkeep.release_folder(given, _settings(given), _say, _complain)


def _drill(given: argparse.Namespace) -> int:
    return upkeep.try_restore(given, _say, _complain)


def _adopt(given: argparse.Namespace) -> int:
    return upkeep.adopt_folder(_settings(given), _say)


def _say(line: str) -> None:
    print(line, flush=True)


def _complain(line: str) -> None:
    print(line, file=sys.stderr, flush=True)


def _doctor(given: argparse.Namespace) -> int:
    folder = _settings(given).data
    if given.repair:
        _repair(folder)
    findings = examine(folder)
    for finding in findings:
        print(finding)
    for code, detail in told_scripts(fonts()):
        print(Finding(severity=Severity.note, code=code, detail=detail))
    errors = sum(finding.severity is Severity.error for finding in findings)
    if errors:
        print(f"{counted(errors, 'error')} in {folder}", file=sys.stderr)
        return 1
    print(f"no error in {folder}")
    return 0


def _repair(folder: Path) -> None:
    """Mend a data folder. Raises: FolderLocked."""
    with hold_folder(folder, "kitwright doctor --repair"):
        try:
            for line in repair(folder):
                print(f"repair: {line}")
        except sqlite3.Error as error:
            print(f"not mended, restore a backup: {error}", file=sys.stderr)


def _owner_key(given: argparse.Namespace) -> int:
    folder = _settings(given).data
    if not (folder / FILE).is_file():
        print(f"no database in {folder}: its first start prints an owner key", file=sys.stderr)
        return 1
    # a running service would not learn of the key
    with hold_folder(folder, "kitwright owner-key"), closing(SqliteStore.open(folder)) as store:
        _, text = make_owner_key(store, utc_now())
    print(f"owner key: {text}")
    return 0


def _prices(given: argparse.Namespace) -> int:
    folder = _settings(given).data
    run = _PRICES[given.what]
    with closing(SqlitePriceBooks(folder)) as books:
        if given.what == "find":
            return run(given, books)
        # a running service takes over what the register of the price books says
        with hold_or_join(folder, f"kitwright prices {given.what}", holder="kitwright serve"):
            return run(given, books)


def _read_prices(given: argparse.Namespace, books: SqlitePriceBooks) -> int:
    settings, source = _settings(given), Path(given.file)
    catalogue = read_sound(settings.catalog)
    supplier = supplier_of(catalogue, given.supplier)
    # before anything is stored: whether it can be read at all
    with source.open("rb"):
        file = books.add_file(supplier.id, source.name, utc_now(), "command")
    quotes: tuple[OpenQuote, ...] = ()
    open_now: Open | None = None
    if (settings.data / FILE).is_file():
        with closing(SqliteStore.open(settings.data)) as store:
            quotes = store.read(lambda records: open_quotes(records, supplier.id))
            open_now = store.read(lambda records: what_is_open(records, catalogue))
    job = job_of(books, catalogue, file, source=str(source), quotes=quotes)
    read, difference = do_job(job, ProgressBar(sys.stderr))
    if difference is not None and open_now is not None:
        pair = with_file(catalogue, books, file.number, supplier.id, Path(job.target))
        before, after = (make_service(settings, files=each) for each in pair)
        today = datetime.now(ZoneInfo(before.workshop.shop.time_zone)).date()
        difference = touched(difference, open_now, before, after, today, lambda _: None)
    outcome = read, difference
    file = keep_outcome(books, file.number, job, outcome)
    if file.errors:
        for _, error in books.errors(file.number, 0, sys.maxsize):
            print(f"{given.file}: {error}", file=sys.stderr)
        print(f"{counted(file.errors, 'error')}: nothing was changed", file=sys.stderr)
        return 1
    print(f"file F{file.number}: {counted(file.rows, 'number')} of supplier {file.supplier}")
    for line in difference_lines(outcome[1]):
        print(line)
    if given.apply:
        return _put_in_force(books, file.number)
    print(f"not applied yet; to apply it: kitwright prices apply F{file.number}")
    return 0


def _apply_prices(given: argparse.Namespace, books: SqlitePriceBooks) -> int:
    number = given.file.removeprefix("F")
    return _put_in_force(books, FileNumber(int(number) if number.isdecimal() else 0))


def _put_in_force(books: SqlitePriceBooks, number: FileNumber) -> int:
    revision = books.apply(number, utc_now(), "command")
    print(f"applied: price revision {revision.number}, supplier {revision.supplier}")
    return 0


def _go_back(_: argparse.Namespace, books: SqlitePriceBooks) -> int:
    now = books.back().revision
    told = "the prices of the catalogue" if now is None else f"price revision {now}"
    print(f"in force again: {told}")
    return 0


def _find_price(given: argparse.Namespace, books: SqlitePriceBooks) -> int:
    found = books.find(given.file, _FOUND)
    for each in found:
        print(found_line(each))
    if not found:
        print("nothing found", file=sys.stderr)
    return 0 if found else 1


_FOUND: Final = 20
_PRICES: Final[Mapping[str, Callable[[argparse.Namespace, SqlitePriceBooks], int]]] = {
    "read": _read_prices,
    "apply": _apply_prices,
    "back": _go_back,
    "find": _find_price,
}
_COMMANDS: Final[Mapping[str, Callable[[argparse.Namespace], int]]] = {
    "serve": _serve,
    "assess": _assess,
    "quote": _quote,
    "check-catalog": _check,
    "prices": _prices,
    "openapi": _openapi,
    "backup": _backup,
    "restore": _restore,
    "release": _release,
    "drill": _drill,
    "adopt": _adopt,
    "doctor": _doctor,
    "owner-key": _owner_key,
}
"""Name of a command -> the function that runs it and returns its exit code."""


if __name__ == "__main__":
    sys.exit(main())
