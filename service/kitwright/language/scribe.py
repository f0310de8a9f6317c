"""Scribe: the words, numbers and dates of documents in one language.

What is written by itself (labels, headings, running text) is English in the source and looked up
in a gettext catalogue; what comes from a kept revision is in its language already.
"""

from __future__ import annotations

from datetime import date, datetime
from decimal import Decimal
from zoneinfo import ZoneInfo

from babel.dates import format_date, format_datetime
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
        """Return a moment as a clock in a time zone shows it."""
        there = moment.astimezone(ZoneInfo(zone))
        return str(format_datetime(there, format="long", locale=self._locale))

    def hours(self, minutes: int) -> str:
        """Return minutes as hours and minutes: 1:05 h."""
        return self.say("{hours}:{minutes} h", hours=minutes // 60, minutes=f"{minutes % 60:02}")

    def unit(self, code: str, quantity: str) -> str:
        """Return the word for a unit of measure."""
        if code not in english.UNITS:
            return code
        number = Decimal(quantity)
        # a language may tell apart more than one and several, but of whole numbers only
        count = int(number) if number == int(number) else 2
        return self._texts.say_many(*english.UNITS[code], count)

    def on_cylinder(self, thing: str, cylinder: object) -> str:
        """Return a thing with its cylinder, where it has one."""
        if cylinder is None:
            return thing
        return self.say("{thing}, cylinder {cylinder}", thing=thing, cylinder=cylinder)

    def thing(self, name: str, cylinder: object = None) -> str:
        """Return the words for a component, role or work: `head` or `head@1`, with its cylinder."""
        bare, _, marked = name.partition("@")
        told = self._texts.of("word", english.WORDS.get(bare, bare.replace("_", " ")))
        return self.on_cylinder(told, (marked or None) if cylinder is None else cylinder)
