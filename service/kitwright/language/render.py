"""Rendering: the sentences of reasons, and the names of catalogue records, in one language."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from datetime import date
from decimal import Decimal
from fractions import Fraction

from babel.dates import format_date
from babel.numbers import format_decimal

from kitwright.catalogue.model import SERIAL_MAX, Catalogue
from kitwright.language import english
from kitwright.language.texts import SOURCE, UnknownLanguage
from kitwright.language.wording import Wording
from kitwright.memory import Recent
from kitwright.money import Money
from kitwright.stages.price import WARRANTY, LineKind, PricedLine
from kitwright.stages.why import Fact, Why
from kitwright.units import decimal_text

__all__ = ["Speaker", "UnknownLanguage"]

MOST_REMEMBERED = 1_000
"""The most formatted numbers, and the most amounts, in the cache."""


_FREE = "free-"
"""The start of the code of an added line; its number follows."""
_WORDS = frozenset({"class", "quality", "role", "scope"})
"""Facts that are ids with words of their own."""
_PER_CENT = frozenset({"percent", "rate", "new_rate"})


class Speaker(Wording):
    """Tells the reasons and names of one catalogue in one language. Raises: UnknownLanguage."""

    def __init__(self, catalogue: Catalogue, language: str) -> None:
        super().__init__(language)
        say = self._texts.say
        self._catalogue = catalogue
        # every sentence is translated once, here, and not for each reason
        self._sentences = {code: say(text) for code, text in english.SENTENCES.items()}
        self._grouped = {code: say(text) for code, text in english.GROUPED.items()}
        self._phrases = {code: say(text) for code, text in english.PHRASES.items()}
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
            "course": lambda name, _: self.word(f"course-{name}"),
            "dearer": lambda name, _: self.word(f"course-{name}"),
            "tax": lambda name, _: self.text("tax", name),
            "missing": lambda name, _: self.item(name),
            **dict.fromkeys(_WORDS, lambda name, _: self.word(name)),
        }
        """Name of a fact that is an id -> function that puts it into words."""

    def sentence(self, why: Why) -> str:
        """Return the sentence of a reason, after the role that it is about, if any."""
        facts = {name: self._fact(name, fact, why.facts) for name, fact in why.facts.items()}
        if "serial_from" in why.facts:
            facts["serials"] = self._serials(why.facts)
        sentence = self._sentences[why.code].format_map(facts)
        role = why.facts.get("role")
        if role is None or "work" in why.facts:
            # the role of a consumable is its work, which the sentence names already
            return sentence
        thing = _capital(self.on_cylinder(self.word(str(role)), why.facts.get("on")))
        return f"{thing}: {self._after_colon(sentence)}"

    def summary(self, reasons: Iterable[Why]) -> str:
        """Return the sentences of a line's reasons, each once; those that differ only in their
        role are one sentence.
        """
        grouped: dict[str, dict[str, None]] = {}
        single: dict[str, None] = {}
        replaced = set()
        for why in reasons:
            role = why.facts.get("role")
            if why.code in english.UNSAID:
                continue
            if role is None or why.code not in english.GROUPED:
                single[self.sentence(Why(why.code, _without_role(why)))] = None
                continue
            name = self.on_cylinder(self.word(str(role)), why.facts.get("on"))
            if why.code == "replaced-by-job":
                replaced.add(name)
            elif name in replaced:
                # the job replaces it already
                continue
            grouped.setdefault(why.code, {})[name] = None
        groups = (
            self._grouped[code].format(roles="; ".join(roles)) for code, roles in grouped.items()
        )
        return " ".join((*groups, *single))

    def word(self, name: str) -> str:
        """Return the word for a component, role, work or labour class, by its id; the cylinder of
        an instance id is left out.
        """
        bare = name.partition("@")[0]
        visit = self._catalogue.visit_work.get(bare)  # type: ignore[call-overload]
        return super().word(bare) if visit is None else self.text("visit", visit.name)

    def instance(self, name: str) -> str:
        """Return the words for an instance id: `head@1` is "head, cylinder 1"."""
        bare, _, cylinder = name.partition("@")
        return self.on_cylinder(self.word(bare), int(cylinder) if cylinder else None)

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
        """Return a finding in words, such as "an oily plug, cylinder 1"."""
        kind = self._findings[name]
        return self.on_cylinder(
            self.text("finding", kind.words[kind.levels.index(level)]), cylinder
        )

    def fault(self, code: str, cylinder: Fact = None) -> str:
        """Return the name of a diagnosis with its cylinder."""
        record = self._catalogue.diagnoses[code]  # type: ignore[index]
        return self.on_cylinder(self.text("diagnosis", record.name), cylinder)

    def line(self, line: PricedLine) -> str:
        """Return the description of a line."""
        if line.kind is LineKind.labour and line.operation is not None and line.labour_class:
            job, cylinder = line.operation
            return self._phrases["labour"].format_map(
                {"job": self.job(job, cylinder or None), "class": self.word(line.labour_class)}
            )
        if line.description is not None:
            return line.description
        if line.kind is LineKind.discount:
            if line.code == WARRANTY:
                return self._phrases["warranty"].format(kind=self.word(line.tax_kind.value))
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
        return self._currency(money.amount, money.currency, 0)

    def price(self, amount: Decimal, currency: str) -> str:
        """Return a price, which may have more decimals than amounts of its currency."""
        places = len(decimal_text(amount, 12).partition(".")[2])
        return self._currency(amount, currency, places)

    def _currency(self, amount: Decimal, currency: str, places: int) -> str:
        question = amount, currency, places
        told = self._amounts.get(question)
        if told is None:
            told = super()._currency(amount, currency, places)
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

    def percent(self, number: Decimal | int) -> str:
        """Return a number of per cent with up to three decimals, and its sign."""
        return self._texts.percent(self.number(number))

    def figure(self, text: str) -> str:
        """Return a decimal number with all its digits, not grouped."""
        places = len(text.partition(".")[2])
        form = "0" + ("." + "0" * places if places else "")
        return str(format_decimal(Decimal(text), locale=self._locale, format=form))

    def day(self, day: date) -> str:
        """Return a date."""
        return str(format_date(day, format="medium", locale=self._locale))

    def _after_colon(self, sentence: str) -> str:
        """Return a sentence in the form that it has after a colon.

        In English, its first letter becomes small if it belongs to an ordinary word; a part number
        stays as it is. In other languages, a noun has to keep its capital.
        """
        is_word = sentence.split(" ", 1)[0].isalpha()
        if not is_word or self.language != SOURCE:
            return sentence
        return sentence[0].lower() + sentence[1:]

    def _serials(self, facts: dict[str, Fact]) -> str:
        """Return a range of serial numbers; an end that limits nothing is left out."""
        first, last = facts["serial_from"], facts["serial_to"]
        if last == SERIAL_MAX:
            return self.say("from {first}", first=first)
        if first == 0:
            return self.say("up to {last}", last=last)
        return self.say("{first} to {last}", first=first, last=last)

    def _of_line(self, code: str) -> str:
        """Return the name of the line with a code."""
        place = code.removeprefix(_FREE)
        if place != code:
            return self._phrases["free"].format(place=place)
        if code in self._phrases:
            return self._phrases[code]
        named = self.job(code)
        return self.item(code) if named == code else named

    def _fact(self, name: str, fact: Fact, facts: dict[str, Fact]) -> str:
        if isinstance(fact, str):
            words_for = self._named.get(name)
            return fact if words_for is None else words_for(fact, facts)
        if isinstance(fact, Money):
            return self.money(fact)
        if isinstance(fact, Decimal):
            return self.percent(fact) if name in _PER_CENT else self.number(fact)
        if isinstance(fact, date):
            return self.day(fact)
        return str(fact)


def _without_role(why: Why) -> dict[str, Fact]:
    return {name: fact for name, fact in why.facts.items() if name not in ("role", "on")}


def _capital(text: str) -> str:
    return text[0].upper() + text[1:]
