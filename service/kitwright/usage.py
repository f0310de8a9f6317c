"""Usage: what the command takes, its help, and how both are told."""

from __future__ import annotations

import argparse
from collections.abc import Sequence

import kitwright
from kitwright.settings import ENVIRONMENT


def read_arguments(arguments: Sequence[str] | None) -> argparse.Namespace:
    """Return what was typed, `command` its command; None is what this process was started with.

    Raises: SystemExit, 0 after help was printed, 2 after a complaint of wrong usage.
    """
    parser = _parser()
    given, rest = parser.parse_known_args(arguments)
    if rest:
        # by the command's own parser: the first one's usage names none of the options
        given.parser.error(f"there is no {' '.join(rest)} here")
    return given


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(
        prog="kitwright",
        description="Quotes small-engine repairs: from a diagnosis to a whole kit, honest minutes, "
        "a price that reconciles and the parts orders.",
        epilog="`kitwright COMMAND --help` tells more, with an example. Every setting has an "
        "environment variable as well; what is typed goes first. Exit codes: 0: done; 1: refused, "
        "or a fault was found; 2: wrong usage; 130: stopped by Ctrl-C.",
    )
    parser.add_argument("--version", action="version", version=f"kitwright {kitwright.__version__}")
    commands = parser.add_subparsers(required=True, metavar="COMMAND", dest="command")
    _add_serve(commands)
    _add_assess(commands)
    _add_quote(commands)
    _add_check(commands)
    _add_openapi(commands)
    _add_backup(commands)
    _add_restore(commands)
    _add_doctor(commands)
    _add_owner_key(commands)
    for each in commands.choices.values():
        each.set_defaults(parser=each)
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
        "Ctrl-C. On SIGHUP it reads the catalogue again: one that `check-catalog` finds sound "
        "takes the place of the old one, which otherwise stays.",
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
    _setting(
        parser,
        "memory",
        "N",
        "MiB that are remembered at most between requests, to answer the like faster "
        "(default: 256); the program itself takes some 150 besides",
    )
    _add_mail(parser)
    _catalog(parser)
    _shop(parser)


def _add_mail(parser: argparse.ArgumentParser) -> None:
    _setting(
        parser,
        "mail-from",
        "ADDRESS",
        "the address that mails come from; answers go to the one of the shop's contact",
    )
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
        "the address at which customers reach the service: what links in mails begin with; without "
        "it no letter goes out",
    )
    _setting(
        parser,
        "local-links",
        "YES",
        "`yes` lets letters go out whose links only this network can follow, for trials (default: "
        "no)",
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


def _add_check(commands: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    parser = commands.add_parser(
        "check-catalog",
        help="prove that a catalogue is whole",
        description="Reads every file of a catalogue, checks every reference, and quotes every job "
        "on every engine, machine, cylinder, variant and shop: each must give one item for every "
        "role, and a source for each item. Names every fault with its file and record, many of one "
        "cause once; exits 1 if there is any. Warns of figures that look like slips, and exits 0.",
        epilog="example: kitwright check-catalog --catalog my-catalog",
    )
    _catalog(parser)


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


def _add_doctor(commands: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    parser = commands.add_parser(
        "doctor",
        help="examine what is kept",
        description="Examines a data folder, also while the service runs, and changes nothing: "
        "database, records, feed, photographs, deliveries, room. Says which scripts printed "
        "documents can show with the fonts of this machine. Prints a line for each finding; exits "
        "1 if one is a fault.",
        epilog="example: kitwright doctor --data kitwright-data",
    )
    _data(parser)


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
