"""Rendering: reasons, names, money, numbers and dates as a reader of one language expects them."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from datetime import date
from decimal import Decimal
from fractions import Fraction

from babel.dates import format_date
from babel.numbers import format_decimal, parse_pattern

from kitwright.catalogue.model import SERIAL_MAX, Catalogue
from kitwright.language import english
from kitwright.language.texts import SOURCE, UnknownLanguage, texts_of
from kitwright.memory import Recent
from kitwright.money import Money, digits
from kitwright.stages.price import LineKind, PricedLine
from kitwright.stages.why import Fact, Why
from kitwright.units import decimal_text

__all__ = ["Speaker", "UnknownLanguage"]

MOST_REMEMBERED = 1_000
"""Formatted numbers, and amounts, that are remembered; few are ever used."""


_FREE = "free-"
"""How the code of a line begins that was added manually; its number follows."""
_WORDS = frozenset({"class", "quality", "role", "scope"})
"""Facts that are ids with words of their own."""


class Speaker:
    """Says things about one catalogue in one language.

    Raises: UnknownLanguage.
    """

    def __init__(self, catalogue: Catalogue, language: str) -> None:
        self.language = language
        self._catalogue = catalogue
        self._texts = texts = texts_of(language)
        self._locale = texts.locale
        # every sentence is looked up once, here: nothing is when it is said
        self._sentences = {code: texts.say(text) for code, text in english.SENTENCES.items()}
        self._grouped = {code: texts.say(text) for code, text in english.GROUPED.items()}
        self._phrases = {code: texts.say(text) for code, text in english.PHRASES.items()}
        self._told: dict[tuple[str, str], str] = {}
        self._numbers: Recent[str, str] = Recent(MOST_REMEMBERED)
        self._amounts: Recent[tuple[Decimal, str, int], str] = Recent(MOST_REMEMBERED)
        self._findings = {row.id: row for row in catalogue.rules.finding}
        self._named: dict[str, Callable[[str, dict[str, Fact]], str]] = {
            "job": lambda name, facts: self.job(name, facts.get("cylinder")),
            "finding": lambda name, facts: _capital(
                self.finding(name, str(facts["level"]), facts["on"])
            ),
            "other": lambda name, facts: self.finding(
                name, str(facts["other_level"]), facts["other_on"]
            ),
            "fault": lambda name, facts: self.fault(name, facts.get("cylinder")),
            "diagnosis": lambda name, facts: self.fault(name, facts.get("cylinder")),
            "code": lambda name, _: self._of_line(name),
            "component": lambda name, _: self.instance(name),
            "work": lambda name, _: self.instance(name),
            "tax": lambda name, _: self.text("tax", name),
            **dict.fromkeys(_WORDS, lambda name, _: self.word(name)),
        }
        """Facts that are ids -> what tells them in words."""

    def say(self, text: str, /, **facts: object) -> str:
        """Return one of Kitwright's own texts, its `{names}` filled in."""
        return self._texts.say(text, **facts)

    def say_as(self, use: str, text: str, /, **facts: object) -> str:
        """Return a text whose English serves several uses, in the one that is named."""
        return self._texts.say_as(use, text, **facts)

    def text(self, kind: str, text: str) -> str:
        """Return a text of the catalogue, by the kind of record that it is in."""
        key = (kind, text)
        if key not in self._told:
            self._told[key] = self._texts.of(kind, text)
        return self._told[key]

    def sentence(self, why: Why) -> str:
        """Return the sentence of a reason; a fact about a role comes before it."""
        facts = {name: self._fact(name, fact, why.facts) for name, fact in why.facts.items()}
        if "serial_from" in why.facts:
            facts["serials"] = self._serials(why.facts)
        told = self._sentences[why.code].format_map(facts)
        role = why.facts.get("role")
        if role is None or "work" in why.facts:
            # what is used up has the work for its role, which the sentence names already
            return told
        thing = _capital(self.on_cylinder(self.word(str(role)), why.facts.get("on")))
        return f"{thing}: {self._after_colon(told)}"

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
                # the job replaces it anyway; that a refit would too adds nothing here
                continue
            grouped.setdefault(why.code, {})[name] = None
        groups = (
            self._grouped[code].format(roles="; ".join(roles)) for code, roles in grouped.items()
        )
        return " ".join((*groups, *told))

    def word(self, name: str) -> str:
        """Return the word for a component, role, work or labour class, by its id without
        cylinder.
        """
        bare = name.partition("@")[0]
        visit = self._catalogue.visit_work.get(bare)  # type: ignore[call-overload]
        if visit is not None:
            return self.text("visit", visit.name)
        return self.text("word", english.WORDS.get(bare, bare.replace("_", " ")))

    def instance(self, name: str) -> str:
        """Return the words for an instance id: `head@1` is "head, cylinder 1"."""
        bare, _, cylinder = name.partition("@")
        return self.on_cylinder(self.word(bare), int(cylinder) if cylinder else None)

    def on_cylinder(self, thing: str, cylinder: Fact) -> str:
        """Return a thing with its cylinder, where it has one."""
        if cylinder is None:
            return thing
        return self._phrases["on-cylinder"].format(thing=thing, cylinder=cylinder)

    def job(self, job: str, cylinder: Fact = None) -> str:
        """Return a job's name with its cylinder."""
        record = self._catalogue.jobs.get(job)  # type: ignore[call-overload]
        return self.on_cylinder(job if record is None else self.text("job", record.name), cylinder)

    def item(self, item: str) -> str:
        """Return the name of a part, set or consumable."""
        catalogue = self._catalogue
        for records in (catalogue.parts, catalogue.sets, catalogue.consumables):
            record = records.get(item)  # type: ignore[call-overload]
            if record is not None:
                return self.text("item", record.name)
        return item

    def finding(self, name: str, level: str, cylinder: Fact = None) -> str:
        """Return what was seen, such as "an oily plug, cylinder 1"."""
        kind = self._findings[name]
        return self.on_cylinder(
            self.text("finding", kind.words[kind.levels.index(level)]), cylinder
        )

    def fault(self, code: str, cylinder: Fact = None) -> str:
        """Return the name of a diagnosis with its cylinder."""
        record = self._catalogue.diagnoses[code]  # type: ignore[index]
        return self.on_cylinder(self.text("diagnosis", record.name), cylinder)

    def line(self, line: PricedLine) -> str:
        """Return what a line is for."""
        if line.kind is LineKind.labour and line.operation is not None and line.labour_class:
            job, cylinder = line.operation
            return self._phrases["labour"].format_map(
                {"job": self.job(job, cylinder or None), "class": self.word(line.labour_class)}
            )
        if line.description is not None:
            return line.description
        if line.kind is LineKind.discount:
            return self._phrases["discount"].format(kind=self.word(line.tax_kind.value))
        if line.kind is LineKind.core:
            return self._phrases["core"].format(item=self.item(line.code))
        if line.kind is LineKind.sublet:
            service = self.word(line.code)
            named = self._phrases["sublet"].format(service=_capital(service))
            return self.on_cylinder(named, line.operation[1] or None if line.operation else None)
        return self.phrase(line.code) if line.code in english.PHRASES else self.item(line.code)

    def phrase(self, code: str) -> str:
        """Return the name of a fee."""
        return self._phrases[code]

    def money(self, money: Money) -> str:
        """Return an amount with its currency, with as many decimals as ISO 4217 gives it."""
        return self._currency(money.amount, money.currency, digits(money.currency))

    def price(self, amount: Decimal, currency: str) -> str:
        """Return a price, which may have more decimals than amounts of its currency."""
        places = len(decimal_text(amount, 12).partition(".")[2])
        return self._currency(amount, currency, max(places, digits(currency)))

    def _currency(self, amount: Decimal, currency: str, places: int) -> str:
        question = amount, currency, places
        told = self._amounts.get(question)
        if told is None:
            # CLDR's own digits say how cash is counted; those of ISO 4217 are what is owed
            pattern = parse_pattern(self._locale.currency_formats["standard"].pattern)
            pattern.frac_prec = (places, places)
            told = str(
                pattern.apply(amount, self._locale, currency=currency, currency_digits=False)
            )
            self._amounts.put(question, told)
        return told

    def number(self, number: Decimal | Fraction | int) -> str:
        """Return a number with up to three decimals."""
        text = decimal_text(number if isinstance(number, Decimal) else Fraction(number), 3)
        told = self._numbers.get(text)
        if told is None:
            told = str(format_decimal(Decimal(text), locale=self._locale, format="#,##0.###"))
            self._numbers.put(text, told)
        return told

    def figure(self, text: str) -> str:
        """Return a number that is given as text, with all its digits and no others."""
        places = len(text.partition(".")[2])
        form = "0" + ("." + "0" * places if places else "")
        return str(format_decimal(Decimal(text), locale=self._locale, format=form))

    def day(self, day: date) -> str:
        """Return a date."""
        return str(format_date(day, format="medium", locale=self._locale))

    def _after_colon(self, told: str) -> str:
        """Return a sentence as it is after a colon.

        English begins it small, if with an ordinary word and not with a part number; in other
        languages a small noun, or a small word of courtesy, would be a mistake.
        """
        is_word = told.split(" ", 1)[0].isalpha()
        return told[0].lower() + told[1:] if is_word and self.language == SOURCE else told

    def _serials(self, facts: dict[str, Fact]) -> str:
        """Return a range of serial numbers; the least and the greatest there are go unsaid."""
        first, last = facts["serial_from"], facts["serial_to"]
        if last == SERIAL_MAX:
            return self.say("from {first}", first=first)
        if first == 0:
            return self.say("up to {last}", last=last)
        return self.say("{first} to {last}", first=first, last=last)

    def _of_line(self, code: str) -> str:
        """Return what the line of a code is for."""
        place = code.removeprefix(_FREE)
        if place != code:
            return self._phrases["free"].format(place=place)
        if code in self._phrases:
            return self._phrases[code]
        named = self.job(code)
        return self.item(code) if named == code else named

    def _fact(self, name: str, fact: Fact, facts: dict[str, Fact]) -> str:
        if isinstance(fact, str):
            told = self._named.get(name)
            return fact if told is None else told(fact, facts)
        if isinstance(fact, Money):
            return self.money(fact)
        if isinstance(fact, Decimal):
            return self.number(fact)
        if isinstance(fact, date):
            return self.day(fact)
        return str(fact)


def _without_role(why: Why) -> dict[str, Fact]:
    return {name: fact for name, fact in why.facts.items() if name not in ("role", "on")}


def _capital(told: str) -> str:
    return told[0].upper() + told[1:]
