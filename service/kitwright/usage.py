"""Usage: the options of the command, and its help."""

from __future__ import annotations

import argparse
from collections.abc import Sequence

import kitwright
from kitwright.settings import ENVIRONMENT


def read_arguments(arguments: Sequence[str] | None) -> argparse.Namespace:
    """Return the parsed options, with the command's name as `command`; `arguments` None means those
    of this process.

    Raises: SystemExit, with 0 after help was printed, with 2 after a usage error.
    """
    parser = _parser()
    given, rest = parser.parse_known_args(arguments)
    if rest:
        # by the command's own parser: the first one's usage names none of the options
        given.parser.error(f"unknown arguments: {' '.join(rest)}")
    return given


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(
        prog="kitwright",
        description="Quotes repairs of small engines: parts kit, labour, reconciled price and "
        "parts orders, from a diagnosis.",
        epilog="`kitwright COMMAND --help` explains a command and gives an example. Every setting "
        "can also be given as an environment variable; command-line options take precedence. Exit "
        "codes: 0: done; 1: refused, or an error was found; 2: wrong usage; 130: stopped by "
        "Ctrl-C.",
    )
    parser.add_argument("--version", action="version", version=f"kitwright {kitwright.__version__}")
    commands = parser.add_subparsers(required=True, metavar="COMMAND", dest="command")
    _add_serve(commands)
    _add_assess(commands)
    _add_quote(commands)
    _add_check(commands)
    _add_prices(commands)
    _add_openapi(commands)
    _add_backup(commands)
    _add_restore(commands)
    _add_doctor(commands)
    _add_owner_key(commands)
    for each in commands.choices.values():
        if each.get_default("parser") is None:
            each.set_defaults(parser=each)
    return parser


def _add_prices(commands: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    parser = commands.add_parser(
        "prices",
        help="read, apply and look up suppliers' prices",
        description="Reads a supplier's price file (CSV or XLSX) into the price book of the data "
        "folder, and shows what it changes. Nothing is changed until the file is applied. After "
        "the first file of a supplier, its offers in the catalogue no longer count. A running "
        "service takes over applied prices within a second or two.",
        epilog="example: kitwright prices read december.csv --supplier ALDQ --apply",
    )
    what = parser.add_subparsers(required=True, metavar="WHAT", dest="what")
    read = what.add_parser(
        "read",
        help="read a price file, and show what it changes",
        description="Reads a price file completely or not at all. Lists every error with its "
        "line, column, value and reason, and exits 1 if there are any.",
        epilog="example: kitwright prices read december.csv --supplier ALDQ",
    )
    read.add_argument("file", metavar="FILE", help="the price file: CSV of any kind, or XLSX")
    read.add_argument("--supplier", metavar="ID", required=True, help="the supplier, by its id")
    read.add_argument("--apply", action="store_true", help="apply it if there is no error")
    applied = what.add_parser(
        "apply",
        help="apply a price file that was read",
        description="Puts the prices of a file in force, as a new price revision.",
        epilog="example: kitwright prices apply F12",
    )
    applied.add_argument("number", metavar="ID", help="the file's id, as `prices read` printed it")
    what.add_parser(
        "back",
        help="go back to the prices before the last file",
        description="Puts the prices before the last price revision in force again.",
        epilog="example: kitwright prices back",
    )
    found = what.add_parser(
        "find",
        help="look up a part number or words",
        description="Looks up a part number in the price book, however it is typed, or words of "
        "its description.",
        epilog="example: kitwright prices find 'v68 k 011'",
    )
    found.add_argument("text", metavar="TEXT", help="a part number or words")
    for each in what.choices.values():
        _data(each)
        _catalog(each)
        each.set_defaults(parser=each)


def _setting(parser: argparse.ArgumentParser, name: str, metavar: str, told: str) -> None:
    """Add the option of a setting, and name its environment variable."""
    parser.add_argument(
        f"--{name}", metavar=metavar, help=f"{told}; or {ENVIRONMENT[name.replace('-', '_')]}"
    )


def _catalog(parser: argparse.ArgumentParser) -> None:
    _setting(parser, "catalog", "DIR", "folder of the catalogue (default: the starter catalogue)")


def _shop(parser: argparse.ArgumentParser) -> None:
    _setting(
        parser, "shop", "ID", "shop to quote for (default: the first shop of the catalogue, by id)"
    )


def _data(parser: argparse.ArgumentParser) -> None:
    _setting(parser, "data", "DIR", "the data folder (default: kitwright-data)")


def _add_serve(commands: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    parser = commands.add_parser(
        "serve",
        help="run the REST service",
        description="Runs the service for one shop until it is stopped with Ctrl-C. Prints "
        "`listening on ADDRESS` once it answers. The first start with a new data folder also "
        "prints `owner key: kw_...`; the key is not shown again. The API is described at /docs for "
        "people and at /openapi.json for programs. On SIGHUP the service reads the catalogue "
        "again. It uses the new one if `check-catalog` finds no error in it; otherwise it keeps "
        "the old one.",
        epilog="example: kitwright serve --shop orchard --port 0",
    )
    _setting(parser, "host", "HOST", "address to listen on (default: 127.0.0.1, this machine only)")
    _setting(parser, "port", "PORT", "port to listen on; 0 picks a free one (default: 8460)")
    _data(parser)
    _setting(
        parser,
        "log",
        "WHAT",
        "log to standard error, as JSON lines: requests (requests and errors; the default) or "
        "faults (errors only)",
    )
    _setting(parser, "rate", "N", "calls allowed per minute and key; 0: no limit (default: 6000)")
    _setting(
        parser,
        "private-webhooks",
        "YES",
        "`yes` allows webhooks to post to private network addresses (default: no)",
    )
    _setting(
        parser,
        "memory",
        "N",
        "most MiB to use for remembering results between requests, so that similar requests are "
        "answered faster (default: 256); the program itself takes about 150 more",
    )
    _add_mail(parser)
    _catalog(parser)
    _shop(parser)


def _add_mail(parser: argparse.ArgumentParser) -> None:
    _setting(
        parser,
        "mail-from",
        "ADDRESS",
        "sender address of e-mails; replies go to the address of the shop's contact",
    )
    _setting(
        parser,
        "smtp-host",
        "HOST",
        "mail server (default: none; e-mails are written to the folder `mail` of the data folder)",
    )
    _setting(
        parser,
        "smtp-port",
        "PORT",
        "the mail server's port (default: 465 for tls, 587 for starttls)",
    )
    _setting(
        parser,
        "smtp-tls",
        "HOW",
        "tls or starttls (the default); none, only for a server on this machine",
    )
    _setting(
        parser,
        "smtp-user",
        "NAME",
        "user name for login; the password comes from KITWRIGHT_SMTP_PASSWORD only",
    )
    _setting(
        parser,
        "public-url",
        "URL",
        "base URL of links in e-mails: the address at which customers reach the service; without "
        "it no e-mail is sent",
    )
    _setting(
        parser,
        "local-links",
        "YES",
        "`yes` also sends e-mails whose links work only in this network, for trials (default: no)",
    )


def _add_assess(commands: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    parser = commands.add_parser(
        "assess",
        help="assess the findings in a file",
        description="Assesses findings as POST /v1/assessments does, without starting the service. "
        "Prints the possible faults with their probabilities, and the next tests, as text.",
        epilog='A small request: {"family": "QM-H27", "cylinders": [{"cylinder": 1, "leakdown": '
        '{"supply": "90", "in_cylinder": "60"}, "findings": {"air_exhaust": "yes"}}]}',
    )
    parser.add_argument("file", metavar="FILE", help="the request as JSON; - reads standard input")
    how = parser.add_mutually_exclusive_group()
    how.add_argument("--json", action="store_true", help="print the service's JSON answer instead")
    how.add_argument(
        "--svg", action="store_true", help="print a chart of the leak-down readings instead"
    )
    _catalog(parser)
    _shop(parser)


def _add_quote(commands: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    parser = commands.add_parser(
        "quote",
        help="quote one request from a file",
        description="Quotes a request as POST /v1/quotes/preview does, without starting the "
        "service, and prints the quote as text. Prices are those in force in the data folder.",
        epilog='A small request: {"family": "QM-H27", "chassis": "PW-G5", "serial": 2140077, '
        '"diagnoses": [{"code": "VALVE-EX", "cylinder": 1}]}',
    )
    parser.add_argument("file", metavar="FILE", help="the request as JSON; - reads standard input")
    parser.add_argument(
        "--json", action="store_true", help="print the service's JSON answer instead"
    )
    _data(parser)
    _catalog(parser)
    _shop(parser)


def _add_check(commands: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    parser = commands.add_parser(
        "check-catalog",
        help="check that a catalogue is complete",
        description="Reads every file, checks every reference, and quotes every job for every "
        "engine, machine, cylinder, variant and shop. Each quote must resolve exactly one item for "
        "every role and find a source for it. Lists every error with its file and record, errors "
        "of one cause only once, and exits 1 if there are any. Values that look like slips are "
        "warnings; they do not change the exit code.",
        epilog="example: kitwright check-catalog --catalog my-catalog",
    )
    _catalog(parser)


def _add_openapi(commands: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    parser = commands.add_parser(
        "openapi",
        help="print the API description",
        description="Prints the OpenAPI document of the service. In a source tree, --write "
        "writes it to openapi/openapi.json, and --check exits 1 if that file differs. Its "
        "examples are computed from the starter catalogue.",
        epilog="example: kitwright openapi > kitwright.json",
    )
    how = parser.add_mutually_exclusive_group()
    how.add_argument("--write", action="store_true", help="write openapi/openapi.json")
    how.add_argument("--check", action="store_true", help="compare with openapi/openapi.json")


def _add_backup(commands: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    parser = commands.add_parser(
        "backup",
        help="back up the data folder to one file",
        description="Writes the database and the photographs of a data folder to one new file. The "
        "service may be running; everything that it has acknowledged by then is included. Needs "
        "free disk space of twice the database's size.",
        epilog="example: kitwright backup monday.tar",
    )
    parser.add_argument("file", metavar="FILE", help="file to write; it must not exist yet")
    _data(parser)


def _add_restore(commands: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    parser = commands.add_parser(
        "restore",
        help="restore a backup into a data folder",
        description="Verifies every file in a backup and its database, then restores them into a "
        "data folder that has no database yet.",
        epilog="example: kitwright restore monday.tar --data restored",
    )
    parser.add_argument("file", metavar="FILE", help="file that `kitwright backup` wrote")
    _data(parser)


def _add_doctor(commands: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    parser = commands.add_parser(
        "doctor",
        help="check the data folder for damage",
        description="Checks a data folder and changes nothing: database, records, event feed, "
        "photographs, webhook deliveries and disk space. The service may be running. Also lists "
        "the scripts that printed documents can show with the fonts of this machine. Prints one "
        "line for each finding, and exits 1 if one of them is an error.",
        epilog="example: kitwright doctor --data kitwright-data",
    )
    _data(parser)


def _add_owner_key(commands: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    parser = commands.add_parser(
        "owner-key",
        help="create another owner key if the first is lost",
        description="Creates a key with the scope owner in a data folder, and prints it. A running "
        "service accepts the new key only after a restart. Revoke a key that others may know: "
        "POST /v1/keys/ID/revoke.",
        epilog="example: kitwright owner-key --data kitwright-data",
    )
    _data(parser)
