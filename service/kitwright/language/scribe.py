"""Scribe: the words, amounts, numbers and dates of documents in one language.

Labels, headings and running text are English in the source, and are translated by a gettext
catalogue. The texts of a quote are already in the quote's language.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from datetime import date, datetime, time
from decimal import ROUND_CEILING, Decimal
from typing import Literal, Protocol
from zoneinfo import ZoneInfo

from babel.dates import (
    format_date,
    format_skeleton,
    format_time,
    get_datetime_format,
    get_day_names,
)
from babel.lists import format_list
from babel.numbers import format_decimal

from kitwright.language import english
from kitwright.language.wording import Wording
from kitwright.money import Money
from kitwright.quote import Amount


class Named(Protocol):
    """A member of a quote with a name, on a cylinder or on the engine: a job, a fault, a need."""

    @property
    def name(self) -> str:
        """The name, without the cylinder."""

    @property
    def cylinder(self) -> int | None:
        """The cylinder, None for the engine."""


class Scribe(Wording):
    """Writes documents in one language. Raises: UnknownLanguage."""

    def say_many(self, one: str, many: str, count: int, /, **facts: object) -> str:
        """Return the translation for a count, which is also the fact `count`."""
        given = {"count": self.number(str(count)), **facts}
        return self._texts.say_many(one, many, count, **given)

    def translations(self, texts: Iterable[str]) -> dict[str, str]:
        """Return the translations of Kitwright's own texts, by their English."""
        return {text: self.say(text) for text in texts}

    def amount(self, amount: Amount | Money) -> str:
        """Return an amount with its currency."""
        digits = amount.amount_text if isinstance(amount, Money) else amount.amount
        return self.money(digits, amount.currency)

    def about(self, amount: Amount | Money) -> str:
        """Return an amount that is no promise, with its currency: rounded up to the whole unit."""
        digits = amount.amount_text if isinstance(amount, Money) else amount.amount
        return self._rounded(Decimal(digits).to_integral_value(ROUND_CEILING), amount.currency, 0)

    def money(self, amount: str, currency: str) -> str:
        """Return an amount, or a price with more decimals, with its currency."""
        return self._currency(Decimal(amount), currency, _decimals(amount))

    def number(self, text: str) -> str:
        """Return a decimal number with all its digits."""
        places = _decimals(text)
        form = "#,##0" + ("." + "0" * places if places else "")
        return str(format_decimal(Decimal(text), locale=self._locale, format=form))

    def percent(self, text: str) -> str:
        """Return a number of per cent with its sign."""
        return self._texts.percent(self.number(text))

    def quantity(self, quantity: str, measure: str) -> str:
        """Return a quantity with its unit, such as "2 sets"."""
        return f"{self.number(quantity)} {self.unit(measure, quantity)}"

    def unit(self, measure: str, quantity: str) -> str:
        """Return the word for a unit of measure, singular or plural as the quantity requires."""
        number = Decimal(quantity)
        # a language may tell apart more than one and several, but of whole numbers only
        count = int(number) if number == int(number) else 2
        return self._texts.say_many(*english.UNITS[measure], count)

    def hours(self, minutes: int) -> str:
        """Return minutes as hours and minutes: 1 h 5 min."""
        hours, rest = divmod(minutes, 60)
        if not hours:
            return self.say("{minutes} min", minutes=rest)
        if not rest:
            return self.say("{hours} h", hours=hours)
        return self.say("{hours} h {minutes} min", hours=hours, minutes=rest)

    def day(self, day: date) -> str:
        """Return a date."""
        return str(format_date(day, format="long", locale=self._locale))

    def near_day(self, day: date, near: date) -> str:
        """Return a date; without its year, if that is the year of a day that is told beside it."""
        if day.year != near.year:
            return self.day(day)
        return str(format_skeleton("MMMMd", day, locale=self._locale))

    def weekday(self, place: int) -> str:
        """Return the name of a weekday, 0 for Monday."""
        return str(get_day_names("wide", locale=self._locale)[place])

    def clock(self, at: time) -> str:
        """Return a time of the day."""
        return str(format_time(at, format="short", locale=self._locale))

    def moment(self, moment: datetime, zone: str) -> str:
        """Return a time in a time zone: the date, hours, minutes and the zone."""
        there = moment.astimezone(ZoneInfo(zone))
        local, timed = there.tzinfo, self._locale
        # a zone without a short name in this language is given by its offset: GMT-07:00
        mark = (
            "z"
            if str(format_time(there, format="z", tzinfo=local, locale=timed)).isalpha()
            else "ZZZZ"
        )
        pattern = f"{self._locale.time_formats['short'].pattern} {mark}"
        told = str(format_time(there, format=pattern, tzinfo=local, locale=timed))
        both = str(get_datetime_format("long", locale=self._locale)).replace("'", "")
        return both.replace("{0}", told).replace("{1}", self.day(there.date()))

    def named(self, thing: Named) -> str:
        """Return the name of a job, a fault or a need, with its cylinder if it has one."""
        return self.on_cylinder(thing.name, thing.cylinder)

    def listed(self, things: Iterable[Named]) -> str:
        """Return the names of several things with their cylinders, separated by semicolons."""
        return "; ".join(map(self.named, things))

    def together(self, things: Iterable[Named]) -> str:
        """Return the names of several things, each once with all its cylinders."""
        places: dict[str, list[int]] = {}
        for thing in things:
            found = places.setdefault(thing.name, [])
            if thing.cylinder is not None and thing.cylinder not in found:
                found.append(thing.cylinder)
        return "; ".join(self.on_cylinders(name, found) for name, found in places.items())

    def on_one_of(self, thing: str, cylinders: Sequence[int]) -> str:
        """Return a thing on one of several cylinders; without them if `cylinders` is empty."""
        if not cylinders:
            return thing
        return self.on_cylinder(thing, self._list(cylinders, "or"))

    def on_cylinders(self, thing: str, cylinders: Sequence[int]) -> str:
        """Return a thing with its cylinders; without them if `cylinders` is empty."""
        if len(cylinders) < 2:
            return self.on_cylinder(thing, cylinders[0] if cylinders else None)
        listed = self._list(cylinders, "standard")
        return self.say("{thing}, cylinders {cylinders}", thing=thing, cylinders=listed)

    def _list(self, cylinders: Sequence[int], style: Literal["standard", "or"]) -> str:
        return str(format_list(list(map(str, cylinders)), style=style, locale=self._locale))

    def thing(self, name: str, cylinder: object = None) -> str:
        """Return the words for a component, role or work, with its cylinder.

        `name` is an id without its cylinder (`head`) or with it (`head@1`).
        """
        bare, _, marked = name.partition("@")
        return self.on_cylinder(self.word(bare), (marked or None) if cylinder is None else cylinder)

    def phrase(self, code: str) -> str:
        """Return the name of a fee by its code; the code itself if it has no name."""
        return self._texts.say(english.PHRASES.get(code, code))


def _decimals(number: str) -> int:
    """Return how many digits a decimal number has after the point."""
    return len(number.partition(".")[2])
