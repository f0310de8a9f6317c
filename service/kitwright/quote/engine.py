"""Engine: the engine that a quote is for, and its machine."""

from __future__ import annotations

from msgspec import Struct

from kitwright.quote.base import SerialNumber


class Engine(Struct, frozen=True, kw_only=True):
    """The engine and its machine. `chassis` is `loose` if the engine is not in a machine, and null
    if the machine was not named: then it is one of the quote's `questions`.
    """

    family: str
    name: str
    serial: SerialNumber | None
    build_code: str | None
    chassis: str | None
    chassis_name: str | None
