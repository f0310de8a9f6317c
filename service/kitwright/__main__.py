"""The `kitwright` command."""

from __future__ import annotations

import argparse
import json
import os
import sys
from collections.abc import Callable, Sequence
from datetime import date
from pathlib import Path
from typing import Final

import msgspec

import kitwright
from kitwright.app import make_owner_key, make_service, openapi_document, serve
from kitwright.catalogue.check import check_catalogue
from kitwright.catalogue.faults import CatalogueUnreadable
from kitwright.catalogue.load import load_catalogue
from kitwright.errors import KitwrightError
from kitwright.proof import prove_catalogue
from kitwright.settings import ENVIRONMENT, Settings, read_settings
from kitwright.stages.refusal import RequestRefused
from kitwright.store.backup import back_up
from kitwright.store.doctor import Severity, examine
from kitwright.store.engine import FILE, SqliteStore
from kitwright.store.restore import restore
from kitwright.web.body import decode
from kitwright.web.findings import AssessmentIn
from kitwright.web.kept.desk import utc_now
from kitwright.web.negotiate import SVG, TEXT
from kitwright.web.problems import Refusal, pointer
from kitwright.web.wire import PreviewIn

_SOURCE: Final = Path(__file__).parents[2]
"""The repository, where the package runs from its source."""


def main(arguments: Sequence[str] | None = None) -> int:
    """Run the command; return its exit code: 0 done, 1 refused or at fault, 2 wrong usage."""
    given = _parser().parse_args(arguments)
    command: Callable[[argparse.Namespace], int] = given.command
    try:
        return command(given)
    except RequestRefused as error:
        for fault in error.faults:
            print(f"{pointer(fault.path) or 'request'}: {fault}", file=sys.stderr)
    except Refusal as error:
        for each in error.faults:
            print(f"{each.pointer or 'request'}: {each.detail}", file=sys.stderr)
        if not error.faults:
            print(error, file=sys.stderr)
    except BrokenPipeError:
        # whoever read the output has seen enough; Python would complain of it once more at its end
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
    except (KitwrightError, OSError) as error:
        print(error, file=sys.stderr)
    except KeyboardInterrupt:
        return 130
    return 1


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(
        prog="kitwright",
        description="Quotes small-engine repairs: from a diagnosis to a whole kit, honest minutes, "
        "a price that reconciles and the parts orders.",
        epilog="`kitwright COMMAND --help` tells more, with an example. Every setting has an "
        "environment variable as well; what is typed goes first.",
    )
    parser.add_argument("--version", action="version", version=f"kitwright {kitwright.__version__}")
    commands = parser.add_subparsers(required=True, metavar="COMMAND")
    _add_serve(commands)
    _add_assess(commands)
    _add_quote(commands)
    _add_check(commands)
    _add_openapi(commands)
    _add_backup(commands)
    _add_restore(commands)
    _add_doctor(commands)
    _add_owner_key(commands)
    return parser


def _setting(parser: argparse.ArgumentParser, name: str, metavar: str, told: str) -> None:
    """Add the option of a setting, and say which environment variable it has."""
    parser.add_argument(
        f"--{name}", metavar=metavar, help=f"{told}; or {ENVIRONMENT[name.replace('-', '_')]}"
    )


def _catalog(parser: argparse.ArgumentParser) -> None:
    _setting(parser, "catalog", "DIR", "folder of the catalogue (default: the starter catalogue)")


def _shop(parser: argparse.ArgumentParser) -> None:
    _setting(parser, "shop", "ID", "shop to quote for (default: the catalogue's first by id)")


def _data(parser: argparse.ArgumentParser) -> None:
    _setting(
        parser, "data", "DIR", "folder for what is kept (default: kitwright-data, made if missing)"
    )


def _add_serve(commands: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    parser = commands.add_parser(
        "serve",
        help="run the REST service",
        description="Runs the service for one shop. Prints `listening on ADDRESS` once it answers, "
        "and at the first start of a data folder `owner key: kw_...`, which is shown only then. "
        "Its description is at /docs for people, at /openapi.json for programs. Stop it with "
        "Ctrl-C.",
        epilog="example: kitwright serve --shop orchard --port 0",
    )
    _setting(parser, "host", "HOST", "address to listen on (default: 127.0.0.1, this machine only)")
    _setting(parser, "port", "PORT", "port to listen on; 0 picks a free one (default: 8460)")
    _data(parser)
    _setting(
        parser,
        "log",
        "WHAT",
        "what goes to standard error, as JSON lines: requests (with faults; the default) or faults",
    )
    _setting(
        parser, "rate", "N", "calls a minute that each key may make; 0: any number (default: 6000)"
    )
    _setting(
        parser,
        "private-webhooks",
        "YES",
        "`yes` lets webhooks lead into your own network (default: no)",
    )
    _add_mail(parser)
    _catalog(parser)
    _shop(parser)
    parser.set_defaults(command=_serve)


def _add_mail(parser: argparse.ArgumentParser) -> None:
    _setting(parser, "mail-from", "ADDRESS", "the shop's e-mail address, which mails come from")
    _setting(
        parser,
        "smtp-host",
        "HOST",
        "mail server to send by (default: none, mails are put into the folder `mail` of the data)",
    )
    _setting(parser, "smtp-port", "PORT", "its port (default: 465 for tls, 587 for starttls)")
    _setting(
        parser,
        "smtp-tls",
        "HOW",
        "tls or starttls (the default); none is for a server on this machine only",
    )
    _setting(
        parser,
        "smtp-user",
        "NAME",
        "log in by this name; the password is read from KITWRIGHT_SMTP_PASSWORD, never typed here",
    )
    _setting(
        parser,
        "public-url",
        "URL",
        "what links in mails begin with (default: the address that is listened on)",
    )


def _add_assess(commands: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    parser = commands.add_parser(
        "assess",
        help="assess the findings in a file",
        description="Assesses findings as POST /v1/assessments would, without a service, and "
        "prints as text what they come to, how surely, and what to test next.",
        epilog='A small request: {"family": "QM-H27", "cylinders": [{"cylinder": 1, "leakdown": '
        '{"supply": "90", "in_cylinder": "60"}, "findings": {"air_exhaust": "yes"}}]}',
    )
    parser.add_argument("file", metavar="FILE", help="the request as JSON; - reads standard input")
    how = parser.add_mutually_exclusive_group()
    how.add_argument("--json", action="store_true", help="print the service's JSON answer instead")
    how.add_argument(
        "--svg", action="store_true", help="print a picture of the leak-down readings instead"
    )
    _catalog(parser)
    _shop(parser)
    parser.set_defaults(command=_assess)


def _add_quote(commands: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    parser = commands.add_parser(
        "quote",
        help="quote one request from a file",
        description="Quotes a request as POST /v1/quotes/preview would, without a service, and "
        "prints it as text.",
        epilog='A small request: {"family": "QM-H27", "chassis": "PW-G5", "serial": 2140077, '
        '"diagnoses": [{"code": "VALVE-EX", "cylinder": 1}]}',
    )
    parser.add_argument("file", metavar="FILE", help="the request as JSON; - reads standard input")
    parser.add_argument(
        "--json", action="store_true", help="print the service's JSON answer instead"
    )
    _catalog(parser)
    _shop(parser)
    parser.set_defaults(command=_quote)


def _add_check(commands: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    parser = commands.add_parser(
        "check-catalog",
        help="prove that a catalogue is whole",
        description="Reads every file of a catalogue, checks every reference, and quotes every job "
        "on every engine, machine, cylinder, variant and shop: each must give one item for every "
        "role, and a source for each item. Names every fault with its file and record; exits 1 if "
        "there is any.",
        epilog="example: kitwright check-catalog --catalog my-catalog",
    )
    _catalog(parser)
    parser.set_defaults(command=_check)


def _add_openapi(commands: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    parser = commands.add_parser(
        "openapi",
        help="print the API description",
        description="Prints the OpenAPI document of the service. In a source tree, --write puts it "
        "into openapi/openapi.json, and --check exits 1 where that file differs. Its examples "
        "are run on the starter catalogue.",
        epilog="example: kitwright openapi > kitwright.json",
    )
    how = parser.add_mutually_exclusive_group()
    how.add_argument("--write", action="store_true", help="write openapi/openapi.json")
    how.add_argument("--check", action="store_true", help="compare with openapi/openapi.json")
    parser.set_defaults(command=_openapi)


def _add_backup(commands: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    parser = commands.add_parser(
        "backup",
        help="back up what is kept into one file",
        description="Writes the database and the photographs of a data folder into one new file, "
        "also while the service runs: everything that it acknowledged before is in it. Needs room "
        "for the database twice.",
        epilog="example: kitwright backup monday.tar",
    )
    parser.add_argument("file", metavar="FILE", help="file to write; there must be none yet")
    _data(parser)
    parser.set_defaults(command=_backup)


def _add_restore(commands: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    parser = commands.add_parser(
        "restore",
        help="make a backup a data folder again",
        description="Proves every member of a backup and its database, then puts them into a data "
        "folder without a database.",
        epilog="example: kitwright restore monday.tar --data regained",
    )
    parser.add_argument("file", metavar="FILE", help="file that `kitwright backup` has written")
    _data(parser)
    parser.set_defaults(command=_restore)


def _add_doctor(commands: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    parser = commands.add_parser(
        "doctor",
        help="examine what is kept",
        description="Examines a data folder, also while the service runs, and changes nothing: "
        "database, records, feed, photographs, deliveries, room. Prints a line for each finding; "
        "exits 1 if one is a fault.",
        epilog="example: kitwright doctor --data kitwright-data",
    )
    _data(parser)
    parser.set_defaults(command=_doctor)


def _add_owner_key(commands: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    parser = commands.add_parser(
        "owner-key",
        help="make another owner key, where the first was lost",
        description="Makes a new key with the scope owner in a data folder, and prints it. A "
        "service that runs on the folder lets it in after its next start. Revoke keys that may be "
        "in wrong hands: POST /v1/keys/ID/revoke.",
        epilog="example: kitwright owner-key --data kitwright-data",
    )
    _data(parser)
    parser.set_defaults(command=_owner_key)


def _settings(given: argparse.Namespace) -> Settings:
    return read_settings({name: getattr(given, name, None) for name in ENVIRONMENT})


def _serve(given: argparse.Namespace) -> int:
    serve(_settings(given), lambda line: print(line, flush=True))
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
    return sys.stdin.buffer.read() if file == "-" else Path(file).read_bytes()


def _quote(given: argparse.Namespace) -> int:
    asked = decode(_raw(given.file), PreviewIn)
    service = make_service(_settings(given))
    if given.json:
        print(msgspec.json.format(msgspec.json.encode(service.preview(asked))).decode())
    else:
        print(service.preview_text(asked), end="")
    return 0


def _check(given: argparse.Namespace) -> int:
    folder = _settings(given).catalog
    try:
        catalogue = load_catalogue(folder)
    except CatalogueUnreadable as error:
        print(f"{error}\nunreadable: {folder}", file=sys.stderr)
        return 1
    faults = check_catalogue(catalogue)
    repairs = 0
    if not faults:
        # the day only chooses tax rates, and the newest are proven
        proof = prove_catalogue(catalogue, date.today())  # noqa: DTZ011 - no zone is at stake
        repairs, faults = proof.repairs, proof.faults
    for fault in faults:
        print(fault, file=sys.stderr)
    if faults:
        print(f"{len(faults)} faults in {folder}", file=sys.stderr)
        return 1
    print(
        f"catalogue sound: {len(catalogue.families)} families, {len(catalogue.chassis)} chassis, "
        f"{len(catalogue.jobs)} jobs, {len(catalogue.shops)} shops; "
        f"{repairs} repairs planned, kitted and priced"
    )
    return 0


def _openapi(given: argparse.Namespace) -> int:
    # never what the environment says: the document that is kept is of the starter catalogue
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
            print(f"{target} differs: run `kitwright openapi --write`", file=sys.stderr)
            return 1
        print("openapi/openapi.json is current")
    else:
        print(text, end="")
    return 0


def _backup(given: argparse.Namespace) -> int:
    done = back_up(_settings(given).data, Path(given.file))
    for sha256 in done.missing:
        print(f"photograph {sha256} has no file, so it is not backed up", file=sys.stderr)
    print(f"backed up: the database and {done.photos} photographs in {given.file}")
    return 0


def _restore(given: argparse.Namespace) -> int:
    folder = _settings(given).data
    done = restore(Path(given.file), folder)
    taken = done.taken_at.isoformat(timespec="seconds")
    print(f"restored: the database and {done.photos} photographs, as of {taken}, in {folder}")
    return 0


def _doctor(given: argparse.Namespace) -> int:
    folder = _settings(given).data
    findings = examine(folder)
    for finding in findings:
        print(finding)
    faults = sum(finding.severity is Severity.fault for finding in findings)
    if faults:
        print(f"{faults} faults in {folder}", file=sys.stderr)
        return 1
    print(f"no fault in {folder}")
    return 0


def _owner_key(given: argparse.Namespace) -> int:
    folder = _settings(given).data
    if not (folder / FILE).is_file():
        print(f"no records in {folder}: its first start prints a key", file=sys.stderr)
        return 1
    store = SqliteStore.open(folder)
    try:
        _, text = make_owner_key(store, utc_now())
    finally:
        store.close()
    print(f"owner key: {text}")
    return 0


if __name__ == "__main__":
    sys.exit(main())
