"""Usage: the options of the command, and its help."""

from __future__ import annotations

import argparse
from collections.abc import Mapping, Sequence
from typing import Final

from msgspec import Struct

import kitwright
from kitwright.settings import ENVIRONMENT


class _Command(Struct, frozen=True, kw_only=True):
    """A command: its help, the settings that it has as options, what its FILE is if it takes one,
    its switches, of which only one may be given unless they are `independent`, and its options of
    its own: each with its value in the usage, or its choices, and its help.

    `argument` is what its help calls FILE. `needs` are options that must be given. `parts` are the
    commands that follow its name, if it does several things.
    """

    help: str
    description: str
    epilog: str
    settings: tuple[str, ...] = ()
    file: str | None = None
    argument: str = "FILE"
    needs: tuple[tuple[str, str, str], ...] = ()
    switches: tuple[tuple[str, str], ...] = ()
    independent: bool = False
    options: tuple[tuple[str, str | tuple[str, ...], str], ...] = ()
    parts: Mapping[str, _Command] = {}


_SETTINGS: Final = {
    "host": ("HOST", "address to listen on (default: 127.0.0.1, this machine only)"),
    "port": ("PORT", "port to listen on; 0 picks a free one (default: 8460)"),
    "data": ("DIR", "the data folder (default: kitwright-data)"),
    "log": (
        "WHAT",
        "log to standard error, as JSON lines: requests (requests and errors; the default) or "
        "faults (errors only)",
    ),
    "rate": ("N", "calls allowed per minute and key; 0: no limit (default: 6000)"),
    "private-webhooks": (
        "YES",
        "`yes` allows webhooks to post to private network addresses (default: no)",
    ),
    "memory": (
        "N",
        "most MiB to use for remembering results between requests, so that similar requests are "
        "answered faster (default: 256); the program itself takes about 150 more",
    ),
    "mail-from": (
        "ADDRESS",
        "sender address of e-mails; replies go to the address of the shop's contact",
    ),
    "smtp-host": (
        "HOST",
        "mail server (default: none; e-mails are written to the folder `mail` of the data folder)",
    ),
    "smtp-port": ("PORT", "the mail server's port (default: 465 for tls, 587 for starttls)"),
    "smtp-tls": ("HOW", "tls or starttls (the default); none, only for a server on this machine"),
    "smtp-user": (
        "NAME",
        "user name for login; the password comes from KITWRIGHT_SMTP_PASSWORD only",
    ),
    "public-url": (
        "URL",
        "base URL of links in e-mails: the address at which customers reach the service; without "
        "it no e-mail is sent",
    ),
    "local-links": (
        "YES",
        "`yes` also sends e-mails whose links work only in this network, for trials (default: no)",
    ),
    "customers-port": (
        "PORT",
        "port of a second listener that answers customers' links and nothing else; 0 picks a free "
        "one (default: none)",
    ),
    "trusted-proxy": (
        "ADDRESSES",
        "addresses or networks of proxies, separated by commas, whose X-Forwarded-For or Forwarded "
        "headers name the caller's address (default: none)",
    ),
    "catalog": ("DIR", "folder of the catalogue (default: the starter catalogue)"),
    "shop": ("ID", "shop to quote for (default: the first shop of the catalogue, by id)"),
}
"""Option of a setting -> its value in the usage, its help."""
_REQUEST: Final = "the request as JSON; - reads standard input"
_AS_JSON: Final = ("json", "print the service's JSON answer instead")
_COMMANDS: Final = {
    "serve": _Command(
        help="run the REST service",
        description="Runs the service for one shop until it is stopped with Ctrl-C. Prints "
        "`listening on ADDRESS` once it answers. The first start with a new data folder also "
        "prints `owner key: kw_...`; the key is not shown again. The API is described at /docs for "
        "people and at /openapi.json for programs. On SIGHUP the service reads the catalogue "
        "again. It uses the new one if `check-catalog` finds no error in it; otherwise it keeps "
        "the old one.",
        epilog="example: kitwright serve --shop orchard --port 0",
        settings=tuple(_SETTINGS),
    ),
    "assess": _Command(
        help="assess the findings in a file",
        description="Assesses findings as POST /v1/assessments does, without starting the service. "
        "Prints the possible faults with their probabilities, and the next tests, as text.",
        epilog='A small request: {"family": "QM-H27", "cylinders": [{"cylinder": 1, "leakdown": '
        '{"supply": "90", "in_cylinder": "60"}, "findings": {"air_exhaust": "yes"}}]}',
        settings=("catalog", "shop"),
        file=_REQUEST,
        switches=(_AS_JSON, ("svg", "print a chart of the leak-down readings instead")),
    ),
    "quote": _Command(
        help="quote one request from a file",
        description="Quotes a request as POST /v1/quotes/preview does, without starting the "
        "service, and prints the quote as text. Prices are those in force in the data folder.",
        epilog='A small request: {"family": "QM-H27", "chassis": "PW-G5", "serial": 2140077, '
        '"diagnoses": [{"code": "VALVE-EX", "cylinder": 1}]}',
        settings=("data", "catalog", "shop"),
        file=_REQUEST,
        switches=(_AS_JSON,),
    ),
    "check-catalog": _Command(
        help="check that a catalogue is complete",
        description="Reads every file, checks every reference, and quotes every job for every "
        "engine, machine, cylinder, variant and shop. Each quote must resolve exactly one item for "
        "every role and find a source for it. Lists every error with its file and record, errors "
        "of one cause only once, and exits 1 if there are any. Values that look like slips are "
        "warnings; they do not change the exit code.",
        epilog="example: kitwright check-catalog --catalog my-catalog",
        settings=("catalog",),
    ),
    "prices": _Command(
        help="read, apply and look up suppliers' prices",
        description="Reads a supplier's price file (CSV or XLSX) into the price book of the data "
        "folder, and shows what it changes. Nothing is changed until the file is applied. After "
        "the first file of a supplier, its offers in the catalogue no longer count. A running "
        "service takes over applied prices within a second or two.",
        epilog="example: kitwright prices read december.csv --supplier ALDQ --apply",
        parts={
            "read": _Command(
                help="read a price file, and show what it changes",
                description="Reads a price file completely or not at all. Lists every error with "
                "its line, column, value and reason, and exits 1 if there are any.",
                epilog="example: kitwright prices read december.csv --supplier ALDQ",
                settings=("data", "catalog", "shop"),
                file="the price file: CSV of any kind, or XLSX",
                needs=(("supplier", "ID", "the supplier, by its id"),),
                switches=(("apply", "apply it if there is no error"),),
            ),
            "apply": _Command(
                help="apply a price file that was read",
                description="Puts the prices of a file in force, as a new price revision.",
                epilog="example: kitwright prices apply F12",
                settings=("data",),
                file="the file's id, as `prices read` printed it",
                argument="ID",
            ),
            "back": _Command(
                help="go back to the prices before the last file",
                description="Puts the prices before the last price revision in force again.",
                epilog="example: kitwright prices back",
                settings=("data",),
            ),
            "find": _Command(
                help="look up a part number or words",
                description="Looks up a part number in the price book, however it is typed, or "
                "words of its description.",
                epilog="example: kitwright prices find 'v68 k 011'",
                settings=("data",),
                file="a part number or words",
                argument="TEXT",
            ),
        },
    ),
    "openapi": _Command(
        help="print the API description",
        description="Prints the OpenAPI document of the service. In a source tree, --write "
        "writes it to openapi/openapi.json, and --check exits 1 if that file differs. Its "
        "examples are computed from the starter catalogue.",
        epilog="example: kitwright openapi > kitwright.json",
        switches=(
            ("write", "write openapi/openapi.json"),
            ("check", "compare with openapi/openapi.json"),
        ),
    ),
    "backup": _Command(
        help="back up the data folder to one file, or to a folder of snapshots",
        description="Writes the database, the ledger of erasures and revocations, the photographs "
        "and the price books in force of a data folder to one new file. The service may be "
        "running; everything that it has acknowledged by then is included. Needs free disk space "
        "of twice the database's size. If FILE is a folder, or with --every, the backup gets a "
        "name of its own in that folder, and older snapshots are thinned out: the newest are kept "
        "(--keep), the last one of each of 14 days, and the last one of each of 12 months. With "
        "--every, this goes on until Ctrl-C. If the data folder is lost, at most one interval of "
        "work is lost with it. Keep the snapshots on another disk or machine.",
        epilog="example: kitwright backup monday.tar; or: kitwright backup /mnt/copies --every 15m",
        settings=("data",),
        file="file to write, which must not exist yet; or a folder of snapshots",
        options=(
            ("every", "TIME", "take a snapshot at intervals, such as 15m, 1h or 1d"),
            ("keep", "N", "how many of the newest snapshots to keep (default: 48)"),
        ),
    ),
    "restore": _Command(
        help="restore a backup into a data folder",
        description="Verifies every file in a backup and its database, then restores them into a "
        "data folder that has no database yet. Work done after the backup is not in it. New "
        "records get numbers that were never given before, and the restored folder is held: no "
        "e-mail, webhook event or link works until `kitwright release`. Give the newest ledger of "
        "erasures and revocations that is left (closings.json of the lost data folder, or a newer "
        "backup): then erased customers stay erased and revoked keys stay revoked. Without a "
        "ledger that is newer than the backup, old keys, links and personal data stay closed until "
        "the owner confirms them.",
        epilog="example: kitwright restore monday.tar --data restored --ledger "
        "kitwright-data/closings.json; or: kitwright restore /mnt/copies --to '2027-03-01 14:30'",
        settings=("data",),
        file="file that `kitwright backup` wrote, or a folder of snapshots",
        options=(
            (
                "to",
                "MOMENT",
                "restore the newest snapshot that is not later than this, such as 2027-03-01 or "
                "'2027-03-01 14:30', by this machine's clock unless an offset follows (default: "
                "the newest)",
            ),
            (
                "ledger",
                "NEWEST",
                "ledger of erasures and revocations: closings.json, or a backup (default: that of "
                "the newest snapshot, if FILE is a folder); one in the data folder itself counts "
                "as well",
            ),
        ),
    ),
    "release": _Command(
        help="let a restored data folder send and be used again",
        description="Prints what a restored data folder would send out, which keys work in it and "
        "what it does not know. With --yes, releases it: e-mails, webhook events and links work "
        "again. E-mails and webhook events that were waiting when the backup was made may have "
        "been sent since, so you choose for each kind whether to send or drop them. The service "
        "has to be stopped; in a running service, the owner releases by POST /v1/release.",
        epilog="example: kitwright release --data restored --yes --mail drop --webhooks send",
        settings=("data",),
        switches=(
            ("yes", "release the folder; without it, only the report is printed"),
            (
                "confirm",
                "confirm keys, links and personal data although erasures and revocations since the "
                "backup are not known",
            ),
        ),
        independent=True,
        options=(
            ("mail", ("send", "drop"), "what to do with e-mails that were waiting"),
            ("webhooks", ("send", "drop"), "what to do with webhook events that were waiting"),
            (
                "numbers",
                "NUMBERS",
                "the last invoice and the last credit note that were handed out, by number, with a "
                "comma between them, if any were made before the backup",
            ),
        ),
    ),
    "drill": _Command(
        help="try out whether a backup can be restored",
        description="Restores a backup into a temporary folder, checks everything in it as "
        "`doctor` does, says what was found and how much work would be lost today, and deletes the "
        "folder. Exits 1 if there is an error. Do this once a month.",
        epilog="example: kitwright drill /mnt/copies",
        file="file that `kitwright backup` wrote, or a folder of snapshots",
        options=(
            ("to", "MOMENT", "try the newest snapshot that is not later than this"),
            ("within", "DIR", "where to make the temporary folder (default: that of the system)"),
        ),
    ),
    "adopt": _Command(
        help="make a data folder that of a changed tax area or catalogue",
        description="A data folder knows its shop, currency, tax area and catalogue, and is served "
        "for no other. If the shop has moved to another tax area, or its catalogue has no engine "
        "family of the old one, this command tells the folder. Shop and currency never change.",
        epilog="example: kitwright adopt --data kitwright-data --catalog my-catalog --shop orchard",
        settings=("data", "catalog", "shop"),
    ),
    "doctor": _Command(
        help="check the data folder for damage",
        description="Checks a data folder and changes nothing: database, the checksum of every "
        "record, event feed, ledger of erasures and revocations, photographs, who may read its "
        "files, webhook deliveries and disk space. The service may be running. Also lists the "
        "scripts that printed documents can show with the fonts of this machine. Prints one line "
        "for each finding, and exits 1 if one of them is an error. With --repair, which needs the "
        "service to be stopped, it first makes damaged indexes and the search anew and deletes "
        "files that a broken-off process left. A record or photograph that has changed can be "
        "mended only from a backup.",
        epilog="example: kitwright doctor --data kitwright-data",
        settings=("data",),
        switches=(("repair", "mend what can be mended without loss, then check"),),
    ),
    "owner-key": _Command(
        help="create another owner key if the first is lost",
        description="Creates a key with the scope owner in a data folder, and prints it. The "
        "service has to be stopped. Revoke a key that others may know: "
        "POST /v1/keys/ID/revoke.",
        epilog="example: kitwright owner-key --data kitwright-data",
        settings=("data",),
    ),
}


def read_arguments(arguments: Sequence[str] | None) -> argparse.Namespace:
    """Return the parsed options, with the command's name as `command`; `arguments` None means those
    of this process.

    Raises: SystemExit, with 0 after help was printed, with 2 after a usage error.
    """
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
    _add_commands(commands, _COMMANDS)
    given, rest = parser.parse_known_args(arguments)
    if rest:
        # by the command's own parser: the first one's usage names none of the options
        given.parser.error(f"unknown arguments: {' '.join(rest)}")
    return given


def _add_commands(
    parsers: argparse._SubParsersAction[argparse.ArgumentParser], named: Mapping[str, _Command]
) -> None:
    for name, command in named.items():
        added = parsers.add_parser(
            name, help=command.help, description=command.description, epilog=command.epilog
        )
        added.set_defaults(parser=added)
        _add_options(added, command)
        if command.parts:
            parts = added.add_subparsers(required=True, metavar="WHAT", dest="what")
            _add_commands(parts, command.parts)


def _add_options(parser: argparse.ArgumentParser, command: _Command) -> None:
    if command.file is not None:
        parser.add_argument("file", metavar=command.argument, help=command.file)
    for name, metavar, told in command.needs:
        parser.add_argument(f"--{name}", metavar=metavar, required=True, help=told)
    is_exclusive = len(command.switches) > 1 and not command.independent
    switches = parser.add_mutually_exclusive_group() if is_exclusive else parser
    for name, value, told in command.options:
        if isinstance(value, str):
            parser.add_argument(f"--{name}", metavar=value, help=told)
        else:
            parser.add_argument(f"--{name}", choices=value, help=told)
    for name, told in command.switches:
        switches.add_argument(f"--{name}", action="store_true", help=told)
    for name in command.settings:
        metavar, told = _SETTINGS[name]
        variable = ENVIRONMENT[name.replace("-", "_")]
        parser.add_argument(f"--{name}", metavar=metavar, help=f"{told}; or {variable}")
