"""Settings of a running service: command line first, environment second, defaults last."""

from __future__ import annotations

import os
from collections.abc import Mapping
from importlib.resources import files
from pathlib import Path

from msgspec import Struct

from kitwright.errors import KitwrightError


class Settings(Struct, frozen=True, kw_only=True):
    """Where the service listens, what it serves and where it keeps things.

    `shop` None means the only shop of the catalogue, else the first by id. Port 0 picks a free one.
    `log` is one of `LOGS`. `rate` is how many calls a minute each key may make, 0 for any number;
    an address without a key may make a tenth. `private_webhooks` says whether webhooks may lead
    into the shop's own network.
    """

    host: str = "127.0.0.1"
    port: int = 8460
    data: Path = Path("kitwright-data")
    catalog: Path
    shop: str | None = None
    log: str = "requests"
    rate: int = 6_000
    private_webhooks: bool = False


class SettingUnreadable(KitwrightError):
    """An environment variable that does not hold what its setting needs."""

    code = "setting-unreadable"

    def __init__(self, name: str, value: str, wanted: str) -> None:
        super().__init__(f"{name} is {value!r}, but should be {wanted}")
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
}
"""Setting -> environment variable."""

LOGS = ("requests", "faults")
"""What goes into the log: every request and every fault, or faults only."""
_MOST_RATE = 1_000_000


def read_settings(
    given: Mapping[str, str | int | None], environment: Mapping[str, str] | None = None
) -> Settings:
    """Return the settings: `given` by name where not None, else the environment's, else the
    default.

    Raises: SettingUnreadable, for a port that is no number from 0 to 65535, an unknown log, a rate
    that is no number, and a yes or no that is neither.
    """
    environment = os.environ if environment is None else environment
    values = {
        name: environment.get(variable) if given.get(name) is None else str(given[name])
        for name, variable in ENVIRONMENT.items()
    }
    port = values["port"]
    if port is not None and not (port.isascii() and port.isdigit() and int(port) <= 65535):
        raise SettingUnreadable(ENVIRONMENT["port"], port, "a number from 0 to 65535")
    log = values["log"] or LOGS[0]
    if log not in LOGS:
        raise SettingUnreadable(ENVIRONMENT["log"], log, f"one of {', '.join(LOGS)}")
    rate = values["rate"]
    if rate is not None and not (rate.isascii() and rate.isdigit() and int(rate) <= _MOST_RATE):
        raise SettingUnreadable(ENVIRONMENT["rate"], rate, f"a number from 0 to {_MOST_RATE}")
    private = values["private_webhooks"] or "no"
    if private not in ("yes", "no"):
        raise SettingUnreadable(ENVIRONMENT["private_webhooks"], private, "yes or no")
    defaults = Settings(catalog=built_in_catalog())
    return Settings(
        host=values["host"] or defaults.host,
        port=defaults.port if port is None else int(port),
        data=Path(values["data"] or defaults.data),
        catalog=Path(values["catalog"] or defaults.catalog),
        shop=values["shop"] or None,
        log=log,
        rate=defaults.rate if rate is None else int(rate),
        private_webhooks=private == "yes",
    )


def built_in_catalog() -> Path:
    """Return the folder of the starter catalogue."""
    return _carried("_catalog", "catalog")


def examples_folder() -> Path:
    """Return the folder of example requests for the starter catalogue: OPERATION.NAME.json."""
    return _carried("_examples", "openapi/examples")


def _carried(installed: str, kept: str) -> Path:
    """Return a folder inside the installed package, else in the repository."""
    inside = Path(str(files("kitwright"))) / installed
    return inside if inside.is_dir() else Path(__file__).parents[2] / kept
