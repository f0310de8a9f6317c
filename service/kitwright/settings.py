"""Settings of a running service: command line first, environment second, defaults last."""

from __future__ import annotations

import ipaddress
import os
from collections.abc import Mapping
from importlib.resources import files
from pathlib import Path
from typing import Annotated, Any, Final, Literal

import msgspec
from msgspec import Meta, Struct, inspect, structs

from kitwright.errors import KitwrightError
from kitwright.keeping.mail import AddressInvalid, check_address
from kitwright.web.edge.faults import shape_of
from kitwright.web.edge.origin import read_networks
from kitwright.web.edge.wording import wanted

LEAST_MEMORY: Final = 64
_SMTP_PORTS: Final = {"tls": 465, "starttls": 587, "none": 25}
"""Encryption of the connection to a mail server -> its usual port."""

_Switch = Annotated[bool, Meta(extra={"wanted": "yes or no"})]
_Encryption = Annotated[
    Literal["tls", "starttls", "none"],
    Meta(extra={"wanted": "tls or starttls, or none for a server on this machine"}),
]
_Host = Annotated[
    str,
    Meta(pattern=r"^[A-Za-z0-9.:-]{1,253}(?!\n)$", extra={"wanted": "a host's name or address"}),
]
_Url = Annotated[
    str,
    Meta(
        pattern=r"^https?://[A-Za-z0-9.:\[\]-]{1,255}(/[A-Za-z0-9._~/-]{0,200})?(?!\n)$",
        extra={"wanted": "http:// or https://, a host, and at most a path"},
    ),
]


class Settings(Struct, frozen=True, kw_only=True):
    """The settings of a service: its address, its catalogue and shop, its data folder, its limits.

    `shop` None means the first shop of the catalogue by id. Port 0 selects a free port. `log` says
    what is logged: every request and every error (`requests`), or errors only (`faults`). `rate` is
    the number of calls per minute that each key may make, 0 for no limit; an address without a key
    may make a tenth of that. `private_webhooks` says whether webhooks may lead into the shop's own
    network. `memory` is the size of the caches in MiB.

    E-mails come from `mail_from` and are sent by `smtp_host`. If that is not set, they are put into
    the folder `mail` of the data folder. The password is never shown. `public_url` is the start of
    links in e-mails. Without it, or if customers can't reach it, no e-mail is sent, unless
    `local_links` allows links to the service's own address for a trial.

    `customers_port` is the port of a second listener that answers customers' links and nothing
    else. `trusted_proxy` are the addresses or networks of proxies, separated by commas, whose
    headers name the address of a request.
    """

    host: str = "127.0.0.1"
    port: Annotated[int, Meta(ge=0, le=65_535)] = 8460
    data: Path = Path("kitwright-data")
    catalog: Path
    shop: str | None = None
    log: Literal["requests", "faults"] = "requests"
    rate: Annotated[int, Meta(ge=0, le=1_000_000)] = 6_000
    private_webhooks: _Switch = False
    memory: Annotated[int, Meta(ge=LEAST_MEMORY, le=1_000_000)] = 256
    mail_from: str = "quotes@shop.invalid"
    smtp_host: _Host | None = None
    smtp_port: Annotated[int, Meta(ge=1, le=65_535)] = 587
    smtp_tls: _Encryption = "starttls"
    smtp_user: str | None = None
    smtp_password: str | None = None
    public_url: _Url | None = None
    local_links: _Switch = False
    customers_port: Annotated[int, Meta(ge=0, le=65_535)] | None = None
    trusted_proxy: str = ""

    def __repr__(self) -> str:
        shown = structs.asdict(self) | {"smtp_password": self.smtp_password and "..."}
        return f"Settings({', '.join(f'{name}={value!r}' for name, value in shown.items())})"


ENVIRONMENT: Final = {
    field.name: f"KITWRIGHT_{field.name.upper()}" for field in structs.fields(Settings)
}
"""Setting -> environment variable."""


class SettingUnreadable(KitwrightError):
    """An option or environment variable with an invalid value."""

    code = "setting-unreadable"

    def __init__(self, name: str, value: str | None, wanted: str) -> None:
        told = "is missing: it" if value is None else f"is {value!r}, but"
        super().__init__(f"{name} {told} must be {wanted}")
        self.name = name
        self.value = value


def read_settings(
    given: Mapping[str, str | int | None], environment: Mapping[str, str] | None = None
) -> Settings:
    """Return the settings: each from `given` if it is not None there, else from the environment,
    else the default. An empty text means the default too, unless the setting is a number.

    Raises: SettingUnreadable, if a value is invalid, or e-mails can't be sent with the settings.
    """
    environment = os.environ if environment is None else environment
    values: dict[str, Any] = {"catalog": built_in_catalog()}
    named = dict(ENVIRONMENT)
    for field in shape_of(Settings).fields:
        name, text = field.name, environment.get(ENVIRONMENT[field.name])
        if given.get(name) is not None:
            # an error names the option or variable that gave the value
            named[name], text = f"--{name.replace('_', '-')}", str(given[name])
        if text is not None:
            _read(values, field, text, named[name])
    _check_mail(values, named)
    _check_proxies(values, named)
    return Settings(**values)


def _read(values: dict[str, Any], field: inspect.Field, text: str, named: str) -> None:
    """Add the value of a setting. Raises: SettingUnreadable."""
    # the first of a type and None
    kind = field.type.types[0] if isinstance(field.type, inspect.UnionType) else field.type
    value: Any = text.rstrip("/") if field.name == "public_url" else text
    match kind.type if isinstance(kind, inspect.Metadata) else kind:
        case inspect.IntType():
            # at most as many digits as Python reads
            value = int(text) if text.isascii() and text.isdigit() and len(text) < 20 else text
        case _ if not text:
            return
        case inspect.BoolType():
            value = {"yes": True, "no": False}.get(text, text)
        case inspect.CustomType():
            value = Path(text)
    try:
        values[field.name] = msgspec.convert(value, _HINTS[field.name], strict=True)
    except msgspec.ValidationError:
        raise SettingUnreadable(named, text, wanted(kind)) from None


_HINTS: Final = {field.name: field.type for field in structs.fields(Settings)}


def _check_mail(values: dict[str, Any], named: Mapping[str, str]) -> None:
    """Check the settings of e-mails together, and add the port. Raises: SettingUnreadable."""
    host, sender = values.get("smtp_host"), values.get("mail_from")
    if sender is not None:
        try:
            check_address(sender)
        except AddressInvalid:
            wanted = "one plain e-mail address"
            raise SettingUnreadable(named["mail_from"], sender, wanted) from None
    elif host is not None:
        name = f"--mail-from (or {ENVIRONMENT['mail_from']})"
        raise SettingUnreadable(name, None, "the shop's own e-mail address")
    tls = values.get("smtp_tls", "starttls")
    if tls == "none" and host is not None and not _is_here(host):
        wanted = "tls or starttls, except for a server on this machine"
        raise SettingUnreadable(named["smtp_tls"], tls, wanted)
    values.setdefault("smtp_port", _SMTP_PORTS[tls])


def _check_proxies(values: dict[str, Any], named: Mapping[str, str]) -> None:
    """Check the addresses of proxies. Raises: SettingUnreadable."""
    text = values.get("trusted_proxy")
    if text is None:
        return
    try:
        read_networks(text)
    except ValueError:
        wanted = "IP addresses or networks, separated by commas, such as 10.0.0.5,10.1.0.0/16"
        raise SettingUnreadable(named["trusted_proxy"], text, wanted) from None


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
