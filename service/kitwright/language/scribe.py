"""Scribe: the words, numbers and dates of documents in one language.

What is written by itself (labels, headings, running text) is English in the source and looked up
in a gettext catalogue; what comes from a stored revision is in its language already.
"""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date, datetime
from decimal import Decimal
from zoneinfo import ZoneInfo

from babel.dates import format_date, format_time, get_datetime_format
from babel.lists import format_list
from babel.numbers import format_decimal, parse_pattern

from kitwright.language import english
from kitwright.language.texts import texts_of
from kitwright.money import digits


class Scribe:
    """Writes in one language. Raises: UnknownLanguage."""

    def __init__(self, language: str) -> None:
        self.language = language
        self._texts = texts_of(language)
        self._locale = self._texts.locale

    def say(self, text: str, /, **facts: object) -> str:
        """Return a text in the language, its `{names}` filled in."""
        return self._texts.say(text, **facts)

    def say_as(self, use: str, text: str, /, **facts: object) -> str:
        """Return a text whose English serves several uses, in the one that is named."""
        return self._texts.say_as(use, text, **facts)

    def say_many(self, one: str, many: str, count: int, /, **facts: object) -> str:
        """Return a text for a count, which is the fact `count`."""
        given = {"count": self.number(str(count)), **facts}
        return self._texts.say_many(one, many, count, **given)

    def money(self, amount: str, currency: str) -> str:
        """Return an amount, or a price with more decimals, with its currency."""
        places = max(digits(currency), len(amount.partition(".")[2]))
        # CLDR's own digits say how cash is counted; those of ISO 4217 are what is owed
        pattern = parse_pattern(self._locale.currency_formats["standard"].pattern)
        pattern.frac_prec = (places, places)
        return str(
            pattern.apply(Decimal(amount), self._locale, currency=currency, currency_digits=False)
        )

    def number(self, text: str) -> str:
        """Return a decimal number with all its digits."""
        places = len(text.partition(".")[2])
        return str(
            format_decimal(
                Decimal(text),
                locale=self._locale,
                format="#,##0" + ("." + "0" * places if places else ""),
            )
        )

    def percent(self, text: str) -> str:
        """Return a number of per cent."""
        pattern = self._locale.percent_formats[None].pattern
        return str(pattern).replace("#,##0", self.number(text))

    def day(self, day: date) -> str:
        """Return a date."""
        return str(format_date(day, format="long", locale=self._locale))

    def moment(self, moment: datetime, zone: str) -> str:
        """Return a time as a clock in a time zone shows it: day, minutes and zone."""
        there = moment.astimezone(ZoneInfo(zone))
        local, timed = there.tzinfo, self._locale
        # a zone that a language has no short name for is told by its offset: GMT-07:00
        mark = (
            "z"
            if str(format_time(there, format="z", tzinfo=local, locale=timed)).isalpha()
            else "ZZZZ"
        )
        clock = f"{self._locale.time_formats['short'].pattern} {mark}"
        time = str(format_time(there, format=clock, tzinfo=local, locale=timed))
        both = str(get_datetime_format("long", locale=self._locale)).replace("'", "")
        return both.replace("{0}", time).replace("{1}", self.day(there.date()))

    def hours(self, minutes: int) -> str:
        """Return minutes as hours and minutes: 1 h 5 min."""
        hours, rest = divmod(minutes, 60)
        if not hours:
            return self.say("{minutes} min", minutes=rest)
        if not rest:
            return self.say("{hours} h", hours=hours)
        return self.say("{hours} h {minutes} min", hours=hours, minutes=rest)

    def unit(self, measure: str, quantity: str) -> str:
        """Return the word for a unit of measure, in the number of a quantity."""
        number = Decimal(quantity)
        # a language may tell apart more than one and several, but of whole numbers only
        count = int(number) if number == int(number) else 2
        return self._texts.say_many(*english.UNITS[measure], count)

    def on_cylinder(self, thing: str, cylinder: object) -> str:
        """Return a thing with its cylinder, where it has one."""
        if cylinder is None:
            return thing
        return self.say("{thing}, cylinder {cylinder}", thing=thing, cylinder=cylinder)

    def on_one_of(self, thing: str, cylinders: Sequence[int]) -> str:
        """Return a thing that is on one cylinder of several; on any where none is named."""
        if not cylinders:
            return thing
        named = format_list([str(one) for one in cylinders], style="or", locale=self._locale)
        return self.say("{thing}, cylinder {cylinder}", thing=thing, cylinder=named)

    def on_cylinders(self, thing: str, cylinders: Sequence[int]) -> str:
        """Return a thing with its cylinders, where it has any."""
        if len(cylinders) < 2:
            return self.on_cylinder(thing, cylinders[0] if cylinders else None)
        listed = format_list([str(one) for one in cylinders], locale=self._locale)
        return self.say("{thing}, cylinders {cylinders}", thing=thing, cylinders=listed)

    def thing(self, name: str, cylinder: object = None) -> str:
        """Return the words for a component, role or work: `head` or `head@1`, with its cylinder."""
        bare, _, marked = name.partition("@")
        told = self.text("word", english.WORDS.get(bare, bare.replace("_", " ")))
        return self.on_cylinder(told, (marked or None) if cylinder is None else cylinder)

    def text(self, kind: str, text: str) -> str:
        """Return a text of the catalogue, by the kind of record that it is in."""
        return self._texts.of(kind, text)

    def phrase(self, code: str) -> str:
        """Return the name of a fee by its code; a code without a name as it is."""
        return self._texts.say(english.PHRASES.get(code, code))
