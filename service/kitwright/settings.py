"""Settings of a running service: command line first, environment second, defaults last."""

from __future__ import annotations

import ipaddress
import os
import re
from collections.abc import Mapping
from importlib.resources import files
from pathlib import Path
from typing import Any

from msgspec import Struct, structs

from kitwright.errors import KitwrightError
from kitwright.keeping.mail import AddressInvalid, check_address


class Settings(Struct, frozen=True, kw_only=True):
    """The settings of a service: its address, its catalogue and shop, its data folder, its limits.

    `shop` None means the first shop of the catalogue by id. Port 0 selects a free port. `log` is
    one of `LOGS`. `rate` is the number of calls per minute that each key may make, 0 for no limit;
    an address without a key may make a tenth of that. `private_webhooks` says whether webhooks may
    lead into the shop's own network. `memory` is the size of the caches in MiB, from `LEAST_MEMORY`
    to `MOST_MEMORY`.

    E-mails come from `mail_from` and are sent by `smtp_host`. If that is not set, they are put into
    the folder `mail` of the data folder. `smtp_tls` is a key of `SMTP_PORTS`. The password is never
    shown. `public_url` is the start of links in e-mails. Without it, or if customers can't reach
    it, no e-mail is sent, unless `local_links` allows links to the service's own address for a
    trial.
    """

    host: str = "127.0.0.1"
    port: int = 8460
    data: Path = Path("kitwright-data")
    catalog: Path
    shop: str | None = None
    log: str = "requests"
    rate: int = 6_000
    private_webhooks: bool = False
    memory: int = 256
    mail_from: str = "quotes@shop.invalid"
    smtp_host: str | None = None
    smtp_port: int = 587
    smtp_tls: str = "starttls"
    smtp_user: str | None = None
    smtp_password: str | None = None
    public_url: str | None = None
    local_links: bool = False

    def __repr__(self) -> str:
        shown = structs.asdict(self) | {"smtp_password": self.smtp_password and "..."}
        return f"Settings({', '.join(f'{name}={value!r}' for name, value in shown.items())})"


class SettingUnreadable(KitwrightError):
    """An option or environment variable with an invalid value."""

    code = "setting-unreadable"

    def __init__(self, name: str, value: str | None, wanted: str) -> None:
        told = "is missing: it" if value is None else f"is {value!r}, but"
        super().__init__(f"{name} {told} must be {wanted}")
        self.name = name
        self.value = value


ENVIRONMENT = {
    "host": "KITWRIGHT_HOST",
    "port": "KITWRIGHT_PORT",
    "data": "KITWRIGHT_DATA",
    "catalog": "KITWRIGHT_CATALOG",
    "shop": "KITWRIGHT_SHOP",
    "log": "KITWRIGHT_LOG",
    "rate": "KITWRIGHT_RATE",
    "private_webhooks": "KITWRIGHT_PRIVATE_WEBHOOKS",
    "memory": "KITWRIGHT_MEMORY",
    "mail_from": "KITWRIGHT_MAIL_FROM",
    "smtp_host": "KITWRIGHT_SMTP_HOST",
    "smtp_port": "KITWRIGHT_SMTP_PORT",
    "smtp_tls": "KITWRIGHT_SMTP_TLS",
    "smtp_user": "KITWRIGHT_SMTP_USER",
    "smtp_password": "KITWRIGHT_SMTP_PASSWORD",
    "public_url": "KITWRIGHT_PUBLIC_URL",
    "local_links": "KITWRIGHT_LOCAL_LINKS",
}
"""Setting -> environment variable."""

LOGS = ("requests", "faults")
"""Contents of the log: every request and every error (`requests`), or errors only (`faults`)."""
SMTP_PORTS = {"tls": 465, "starttls": 587, "none": 25}
"""Encryption of the connection to a mail server -> its usual port."""
LEAST_MEMORY, MOST_MEMORY = 64, 1_000_000
"""The least and the most that `memory` may be, in MiB."""
_MOST_RATE = 1_000_000
_MAIL_FROM = f"--mail-from (or {ENVIRONMENT['mail_from']})"
_HOST = re.compile(r"[A-Za-z0-9.:-]{1,253}", re.ASCII)
_URL = re.compile(r"https?://[A-Za-z0-9.:\[\]-]{1,255}(/[A-Za-z0-9._~/-]{0,200})?", re.ASCII)


def read_settings(
    given: Mapping[str, str | int | None], environment: Mapping[str, str] | None = None
) -> Settings:
    """Return the settings: each from `given` if it is not None there, else from the environment,
    else the default.

    Raises: SettingUnreadable, if a value is invalid: a port is not a number from 0 to 65535, the
    log is unknown, the rate or memory is not a number or is out of range, or a switch is not yes or
    no. It is also raised for invalid settings of e-mails.
    """
    environment = os.environ if environment is None else environment
    values = {
        name: environment.get(variable) if given.get(name) is None else str(given[name])
        for name, variable in ENVIRONMENT.items()
    }
    # an error names the option or variable that gave the value
    named = {
        name: variable if given.get(name) is None else f"--{name.replace('_', '-')}"
        for name, variable in ENVIRONMENT.items()
    }
    port = values["port"]
    if port is not None and not (port.isascii() and port.isdigit() and int(port) <= 65535):
        raise SettingUnreadable(named["port"], port, "a number from 0 to 65535")
    log = values["log"] or LOGS[0]
    if log not in LOGS:
        raise SettingUnreadable(named["log"], log, f"one of {', '.join(LOGS)}")
    rate = values["rate"]
    if rate is not None and not (rate.isascii() and rate.isdigit() and int(rate) <= _MOST_RATE):
        raise SettingUnreadable(named["rate"], rate, f"a number from 0 to {_MOST_RATE}")
    for name in ("private_webhooks", "local_links"):
        said = values[name] or "no"
        if said not in ("yes", "no"):
            raise SettingUnreadable(named[name], said, "yes or no")
    memory = values["memory"]
    if memory is not None and not (
        memory.isascii() and memory.isdigit() and LEAST_MEMORY <= int(memory) <= MOST_MEMORY
    ):
        wanted = f"a number from {LEAST_MEMORY} to {MOST_MEMORY}"
        raise SettingUnreadable(named["memory"], memory, wanted)
    defaults = Settings(catalog=built_in_catalog())
    return Settings(
        host=values["host"] or defaults.host,
        port=defaults.port if port is None else int(port),
        data=Path(values["data"] or defaults.data),
        catalog=Path(values["catalog"] or defaults.catalog),
        shop=values["shop"] or None,
        log=log,
        rate=defaults.rate if rate is None else int(rate),
        private_webhooks=values["private_webhooks"] == "yes",
        local_links=values["local_links"] == "yes",
        memory=defaults.memory if memory is None else int(memory),
        **_read_mail(values, named),
    )


def _read_mail(values: Mapping[str, str | None], named: Mapping[str, str]) -> dict[str, Any]:
    """Return the settings of e-mails. Raises: SettingUnreadable."""
    found: dict[str, Any] = {}
    host, sender = values["smtp_host"] or None, values["mail_from"] or None
    if host is not None and not _HOST.fullmatch(host):
        raise SettingUnreadable(named["smtp_host"], host, "a host's name or address")
    if sender is not None:
        try:
            found["mail_from"] = check_address(sender)
        except AddressInvalid:
            wanted = "one plain e-mail address"
            raise SettingUnreadable(named["mail_from"], sender, wanted) from None
    elif host is not None:
        raise SettingUnreadable(_MAIL_FROM, None, "the shop's own e-mail address")
    tls = values["smtp_tls"] or "starttls"
    if tls not in SMTP_PORTS or (tls == "none" and host is not None and not _is_here(host)):
        wanted = "tls or starttls, or none for a server on this machine"
        raise SettingUnreadable(named["smtp_tls"], tls, wanted)
    port = values["smtp_port"] or str(SMTP_PORTS[tls])
    if not (port.isascii() and port.isdigit() and 1 <= int(port) <= 65535):
        raise SettingUnreadable(named["smtp_port"], port, "a number from 1 to 65535")
    url = (values["public_url"] or "").rstrip("/") or None
    if url is not None and not _URL.fullmatch(url):
        raise SettingUnreadable(
            named["public_url"], url, "http:// or https://, a host, and at most a path"
        )
    return {
        **found,
        "smtp_host": host,
        "smtp_port": int(port),
        "smtp_tls": tls,
        "smtp_user": values["smtp_user"] or None,
        "smtp_password": values["smtp_password"] or None,
        "public_url": url,
    }


def _is_here(host: str) -> bool:
    """Return whether a host is this machine."""
    try:
        return ipaddress.ip_address(host).is_loopback
    except ValueError:
        return host == "localhost"


def built_in_catalog() -> Path:
    """Return the folder of the starter catalogue."""
    return _carried("_catalog", "catalog")


def examples_folder() -> Path:
    """Return the folder of example requests for the starter catalogue: OPERATION.NAME.json."""
    return _carried("_examples", "openapi/examples")


def _carried(installed: str, kept: str) -> Path:
    """Return a folder inside the installed package, or of the repository if not installed."""
    inside = Path(str(files("kitwright"))) / installed
    return inside if inside.is_dir() else Path(__file__).parents[2] / kept
