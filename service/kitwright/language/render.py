"""Rendering: reasons, names, money, numbers and dates as a reader of one language expects them."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import date
from decimal import Decimal
from fractions import Fraction

from babel import Locale
from babel.dates import format_date
from babel.numbers import format_decimal, parse_pattern

from kitwright.catalogue.model import Catalogue
from kitwright.errors import KitwrightError
from kitwright.language import english
from kitwright.money import Money, digits
from kitwright.stages.line import LineKind, PricedLine
from kitwright.stages.why import Fact, Why
from kitwright.units import decimal_text

LANGUAGES = ("en",)
"""The languages that are complete."""


_MOST_REMEMBERED = 10_000
"""Formatted numbers that are remembered; few are ever used."""


class UnknownLanguage(KitwrightError):
    """A language that quotes can't be written in."""

    code = "unknown-language"

    def __init__(self, language: str) -> None:
        super().__init__(f"no language {language!r}; known: {', '.join(LANGUAGES)}")
        self.language = language


class Speaker:
    """Says things about one catalogue in one language.

    Raises: UnknownLanguage.
    """

    def __init__(self, catalogue: Catalogue, language: str) -> None:
        if language not in LANGUAGES:
            raise UnknownLanguage(language)
        self._catalogue = catalogue
        self._locale = Locale.parse(language)
        self._numbers: dict[str, str] = {}
        self._findings = {row.id: row for row in catalogue.rules.finding}

    def sentence(self, why: Why) -> str:
        """Return the sentence of a reason; facts about a role stand before it."""
        facts = {name: self._fact(name, fact, why.facts) for name, fact in why.facts.items()}
        told = english.SENTENCES[why.code].format_map(facts)
        role = why.facts.get("role")
        if role is None:
            return told
        thing = _capital(self.on_cylinder(self.word(str(role)), why.facts.get("on")))
        return f"{thing}: {_small(told)}"

    def summary(self, reasons: Iterable[Why]) -> str:
        """Return the sentences of a line, those that differ in their role only as one."""
        grouped: dict[str, dict[str, None]] = {}
        told: dict[str, None] = {}
        replaced = set()
        for why in reasons:
            role = why.facts.get("role")
            if why.code in english.UNSAID:
                continue
            if role is None or why.code not in english.GROUPED:
                told[self.sentence(Why(why.code, _without_role(why)))] = None
                continue
            name = self.on_cylinder(self.word(str(role)), why.facts.get("on"))
            if why.code == "replaced-by-job":
                replaced.add(name)
            elif name in replaced:
                # the job renews it anyway; that a refit would too adds nothing here
                continue
            grouped.setdefault(why.code, {})[name] = None
        groups = (
            english.GROUPED[code].format(roles="; ".join(roles)) for code, roles in grouped.items()
        )
        return " ".join((*groups, *told))

    def word(self, name: str) -> str:
        """Return the word for a component, role, work or labour class, by its id without
        cylinder.
        """
        bare = name.partition("@")[0]
        visit = self._catalogue.visit_work.get(bare)  # type: ignore[call-overload]
        if visit is not None:
            return str(visit.name)
        return english.WORDS.get(bare, bare.replace("_", " "))

    def instance(self, name: str) -> str:
        """Return the words for an instance id: `head@1` is "head, cylinder 1"."""
        bare, _, cylinder = name.partition("@")
        return self.on_cylinder(self.word(bare), int(cylinder) if cylinder else None)

    def on_cylinder(self, thing: str, cylinder: Fact) -> str:
        """Return a thing with its cylinder, where it has one."""
        if cylinder is None:
            return thing
        return english.PHRASES["on-cylinder"].format(thing=thing, cylinder=cylinder)

    def job(self, job: str, cylinder: Fact = None) -> str:
        """Return a job's name with its cylinder."""
        record = self._catalogue.jobs.get(job)  # type: ignore[call-overload]
        return self.on_cylinder(job if record is None else record.name, cylinder)

    def item(self, item: str) -> str:
        """Return the name of a part, set or consumable."""
        catalogue = self._catalogue
        for records in (catalogue.parts, catalogue.sets, catalogue.consumables):
            record = records.get(item)  # type: ignore[call-overload]
            if record is not None:
                return str(record.name)
        return item

    def finding(self, name: str, level: str, cylinder: Fact = None) -> str:
        """Return what was seen, such as "an oily plug, cylinder 1"."""
        kind = self._findings[name]
        return self.on_cylinder(kind.words[kind.levels.index(level)], cylinder)

    def fault(self, code: str, cylinder: Fact = None) -> str:
        """Return the name of a diagnosis with its cylinder."""
        record = self._catalogue.diagnoses[code]  # type: ignore[index]
        return self.on_cylinder(record.name, cylinder)

    def line(self, line: PricedLine) -> str:
        """Return what a line is for."""
        if line.kind is LineKind.labour and line.operation is not None and line.labour_class:
            job, cylinder = line.operation
            return english.PHRASES["labour"].format_map(
                {"job": self.job(job, cylinder or None), "class": self.word(line.labour_class)}
            )
        if line.description is not None:
            return line.description
        if line.kind is LineKind.discount:
            return english.PHRASES["discount"].format(kind=self.word(line.tax_kind.value))
        if line.kind is LineKind.core:
            return english.PHRASES["core"].format(item=self.item(line.code))
        if line.kind is LineKind.sublet:
            service = self.word(line.code)
            named = english.PHRASES["sublet"].format(service=_capital(service))
            return self.on_cylinder(named, line.operation[1] or None if line.operation else None)
        return self.phrase(line.code) if line.code in english.PHRASES else self.item(line.code)

    def phrase(self, code: str) -> str:
        """Return the name of a fee."""
        return english.PHRASES[code]

    def money(self, money: Money) -> str:
        """Return an amount with its currency, with as many decimals as ISO 4217 gives it."""
        return self._currency(money.amount, money.currency, digits(money.currency))

    def price(self, amount: Decimal, currency: str) -> str:
        """Return a price, which may have more decimals than amounts of its currency."""
        places = len(decimal_text(amount, 12).partition(".")[2])
        return self._currency(amount, currency, max(places, digits(currency)))

    def _currency(self, amount: Decimal, currency: str, places: int) -> str:
        # CLDR's own digits say how cash is counted; those of ISO 4217 are what is owed
        pattern = parse_pattern(self._locale.currency_formats["standard"].pattern)
        pattern.frac_prec = (places, places)
        return str(pattern.apply(amount, self._locale, currency=currency, currency_digits=False))

    def number(self, number: Decimal | Fraction | int) -> str:
        """Return a number with up to three decimals."""
        text = decimal_text(number if isinstance(number, Decimal) else Fraction(number), 3)
        if text not in self._numbers:
            if len(self._numbers) > _MOST_REMEMBERED:
                self._numbers.clear()
            told = format_decimal(Decimal(text), locale=self._locale, format="#,##0.###")
            self._numbers[text] = str(told)
        return self._numbers[text]

    def day(self, day: date) -> str:
        """Return a date."""
        return str(format_date(day, format="medium", locale=self._locale))

    def _fact(self, name: str, fact: Fact, facts: dict[str, Fact]) -> str:
        if isinstance(fact, Money):
            return self.money(fact)
        if isinstance(fact, date):
            return self.day(fact)
        if isinstance(fact, Decimal):
            return self.number(fact)
        if name == "job":
            return self.job(str(fact), facts.get("cylinder"))
        if name == "finding":
            return _capital(self.finding(str(fact), str(facts["level"]), facts["on"]))
        if name == "other":
            return self.finding(str(fact), str(facts["other_level"]), facts["other_on"])
        if name == "fault":
            return self.fault(str(fact), facts.get("cylinder"))
        if name == "diagnosis":
            return self.on_cylinder(str(fact), facts.get("cylinder"))
        if name in ("component", "work"):
            return self.instance(str(fact))
        return self.word(str(fact)) if name in ("class", "role") else str(fact)


def _without_role(why: Why) -> dict[str, Fact]:
    return {name: fact for name, fact in why.facts.items() if name not in ("role", "on")}


def _capital(told: str) -> str:
    return told[0].upper() + told[1:]


def _small(told: str) -> str:
    """Return a sentence to stand after a colon: an ordinary word first, not a part number."""
    return told[0].lower() + told[1:] if told.split(" ", 1)[0].isalpha() else told
