"""Wording: texts, amounts and cylinders in one language."""

from __future__ import annotations

from decimal import Decimal

from babel.numbers import parse_pattern

from kitwright.language import english
from kitwright.language.texts import texts_of
from kitwright.money import digits


class Wording:
    """Texts and amounts in one language. Raises: UnknownLanguage."""

    def __init__(self, language: str) -> None:
        self.language = language
        self._texts = texts_of(language)
        self._locale = self._texts.locale
        self._on_cylinder = self.say("{thing}, cylinder {cylinder}")
        self._translated: dict[tuple[str, str], str] = {}

    def say(self, text: str, /, **facts: object) -> str:
        """Return the translation of one of Kitwright's own texts, with its `{names}` filled in."""
        return self._texts.say(text, **facts)

    def say_as(self, use: str, text: str, /, **facts: object) -> str:
        """Return the translation of a text whose English has several uses; `use` names this one."""
        return self._texts.say_as(use, text, **facts)

    def text(self, kind: str, text: str) -> str:
        """Return the translation of a catalogue text; `kind` is the kind of its record."""
        key = (kind, text)
        if key not in self._translated:
            self._translated[key] = self._texts.of(kind, text)
        return self._translated[key]

    def word(self, name: str) -> str:
        """Return the word for a component, role, work, grade or labour class, by its id."""
        return self.text("word", english.WORDS.get(name, name.replace("_", " ")))

    def on_cylinder(self, thing: str, cylinder: object) -> str:
        """Return a thing with its cylinder; without it if `cylinder` is None."""
        if cylinder is None:
            return thing
        return self._on_cylinder.format(thing=thing, cylinder=cylinder)

    def _currency(self, amount: Decimal, currency: str, places: int) -> str:
        """Return an amount with its currency, with at least the decimals that ISO 4217 requires."""
        # CLDR's own digits say how cash is counted; those of ISO 4217 are what is owed
        return self._rounded(amount, currency, max(places, digits(currency)))

    def _rounded(self, amount: Decimal, currency: str, places: int) -> str:
        """Return an amount with its currency, with some decimals."""
        pattern = parse_pattern(self._locale.currency_formats["standard"].pattern)
        pattern.frac_prec = (places, places)
        return str(pattern.apply(amount, self._locale, currency=currency, currency_digits=False))
