"""Scribe: the words, numbers and dates of documents in one language.

What is written by itself (labels, headings, running text) is English in the source and looked up
in a gettext catalogue; what comes from a kept revision is in its language already.
"""

from __future__ import annotations

import gettext
from datetime import date, datetime
from decimal import Decimal
from typing import Final
from zoneinfo import ZoneInfo

from babel import Locale
from babel.dates import format_date, format_datetime
from babel.numbers import format_decimal, parse_pattern

from kitwright.language import english
from kitwright.language.render import LANGUAGES, UnknownLanguage
from kitwright.money import digits

_UNITS: Final = {
    "C62": ("piece", "pieces"),
    "SET": ("set", "sets"),
    "LTR": ("L", "L"),
    "MLT": ("ml", "ml"),
    "GRM": ("g", "g"),
    "MIN": ("min", "min"),
    "HUR": ("h", "h"),
    "KMT": ("km", "km"),
}
"""UN/ECE Recommendation 20 code -> words for one and for several."""


def translations(language: str) -> gettext.NullTranslations:
    """Return the gettext catalogue of the documents' own words."""
    del language
    return gettext.NullTranslations()


class Scribe:
    """Writes in one language. Raises: UnknownLanguage."""

    def __init__(self, language: str) -> None:
        if language not in LANGUAGES:
            raise UnknownLanguage(language)
        self.language = language
        self._locale = Locale.parse(language)
        self._texts = translations(language)

    def say(self, text: str, **facts: object) -> str:
        """Return a text in the language, its `{names}` filled in."""
        told = self._texts.gettext(text)
        return told.format_map(facts) if facts else told

    def say_many(self, one: str, many: str, count: int, **facts: object) -> str:
        """Return a text for a count, which is the fact `count`."""
        told = self._texts.ngettext(one, many, count)
        return told.format_map({"count": self.number(str(count)), **facts})

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
        one, many = _UNITS.get(code, (code, code))
        return self.say(one if Decimal(quantity) == 1 else many)

    def on_cylinder(self, thing: str, cylinder: object) -> str:
        """Return a thing with its cylinder, where it has one."""
        if cylinder is None:
            return thing
        return self.say("{thing}, cylinder {cylinder}", thing=thing, cylinder=cylinder)

    def thing(self, name: str, cylinder: object = None) -> str:
        """Return the words for a component, role or work: `head` or `head@1`, with its cylinder."""
        bare, _, marked = name.partition("@")
        told = self.say(english.WORDS.get(bare, bare.replace("_", " ")))
        return self.on_cylinder(told, (marked or None) if cylinder is None else cylinder)
