"""Collects every text there is to translate and brings the languages' files up to it.

    python -m tests.language.extract            update every language, translations kept
    python -m tests.language.extract --check    name what is missing or stale; fail if anything is
    python -m tests.language.extract --new fr   begin a language

Kitwright's own texts are the literals given to `say`, `say_as` and `say_many` in Python and in
templates, and the tables of `english.py`. Those of the catalogue are the texts of the starter
catalogue that a quote or an assessment shows, each with the kind of its record as its context.
"""

from __future__ import annotations

import argparse
import ast
import re
import sys
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path
from typing import Final

from babel.messages.catalog import Catalog, Message
from babel.messages.pofile import read_po, write_po
from jinja2 import Environment, nodes
from msgspec import structs

import kitwright
from kitwright.catalogue.load import load_catalogue
from kitwright.catalogue.model import (
    Catalogue,
    ChargeKind,
    Component,
    DiagnosisRules,
    GateAction,
    Grade,
    Quality,
    Scope,
)
from kitwright.language import english
from kitwright.language.texts import DOMAINS
from kitwright.stages.outcome import CourseName

REPOSITORY: Final = Path(__file__).resolve().parents[2]
SOURCES: Final = Path(kitwright.__file__).parent
LOCALE: Final = SOURCES / "language" / "locale"
KEYWORDS: Final = {"say": 1, "say_as": 2, "say_many": 2}
"""How many texts each takes first: one; the use and the text; that for one and that for many."""
TEMPLATES: Final = (".html", ".jinja", ".txt", ".xml")

Text = tuple[str | None, str, str | None]
"""Context, text, and the text for many."""


class NoLiteral(Exception):
    """A text that is put together, so that nobody can translate it."""


def own_texts(sources: Path = SOURCES) -> Iterator[tuple[Text, str]]:
    """Yield Kitwright's own texts, each with the file that it stands in. Raises: NoLiteral."""
    for path in sorted(sources.rglob("*")):
        file = path.relative_to(sources).as_posix()
        read = {".py": _said, ".typ": _said_in_typst, **dict.fromkeys(TEMPLATES, _said_in_template)}
        if path.suffix not in read:
            continue
        for name, line, texts in read[path.suffix](path):
            if None not in texts and len(texts) == KEYWORDS[name]:
                yield _text(name, *map(str, texts)), file
            elif not file.startswith("language/"):
                # in there, what is handed on is said with other words for the same
                raise NoLiteral(f"{file}:{line}: {name} of something other than a literal")
    file = "language/english.py"
    for table in (english.SENTENCES, english.GROUPED, english.PHRASES):
        for told in table.values():
            yield (None, told, None), file
    for one, many in english.UNITS.values():
        yield (None, one, many), file


def _text(name: str, first: str, second: str | None = None) -> Text:
    if name == "say_as":
        return first, second or "", None
    return None, first, second


def _said(path: Path) -> Iterator[tuple[str, int, list[str | None]]]:
    """Yield each call that says something: its name, its line and its texts, None for others."""
    # Babel's own extractor passes over what stands inside an f-string
    tree = ast.parse(path.read_bytes())
    calls = [node for node in ast.walk(tree) if isinstance(node, ast.Call)]
    for call in sorted(calls, key=lambda node: (node.lineno, node.col_offset)):
        name = getattr(call.func, "attr", getattr(call.func, "id", ""))
        if name in KEYWORDS:
            given = [getattr(each, "value", None) for each in call.args[: KEYWORDS[name]]]
            yield name, call.lineno, [each if isinstance(each, str) else None for each in given]


def _said_in_template(path: Path) -> Iterator[tuple[str, int, list[str | None]]]:
    tree = Environment(autoescape=True).parse(path.read_text(encoding="utf-8"))
    for call in tree.find_all(nodes.Call):
        name = getattr(call.node, "attr", getattr(call.node, "name", ""))
        if name in KEYWORDS:
            given = [getattr(each, "value", None) for each in call.args[: KEYWORDS[name]]]
            yield name, call.lineno, [each if isinstance(each, str) else None for each in given]


def _said_in_typst(path: Path) -> Iterator[tuple[str, int, list[str | None]]]:
    source = path.read_text(encoding="utf-8")
    for call in re.finditer(r'(?<!#let )\b(say)\((?:"([^"\\]+)")?', source):
        yield call[1], source.count("\n", 0, call.start()) + 1, [call[2]]


def catalogue_texts(catalogue: Catalogue) -> Iterator[tuple[Text, str]]:
    """Yield the catalogue's texts, each with the id of a record that it stands in."""
    for job in catalogue.jobs.values():
        for text in (job.name, job.note, job.safety, *(each.reason for each in job.while_apart)):
            yield ("job", text, None), job.id
    for kind in catalogue.contingencies.values():
        for text in (kind.name, kind.plain):
            yield ("contingency", text, None), kind.id
    for visit in catalogue.visit_work.values():
        yield ("visit", visit.name, None), visit.id
    for items in (catalogue.parts, catalogue.sets, catalogue.consumables):
        for item in items.values():
            yield ("item", item.name, None), item.id
    for component in _components(catalogue):
        texts = [*component.inspect, *component.refit_inspect]
        texts += [*component.tools, component.fasteners]
        for named in (component, component.unless_sound):
            if named is not None:
                texts += [named.remove_name, named.refit_name, *named.tools, *named.inspect]
        for text in texts:
            if text:
                yield ("component", text, None), component.id
    for tick in catalogue.ticks.values():
        yield ("tick", tick.name, None), tick.id
    for chassis in catalogue.chassis.values():
        yield ("chassis", chassis.kind, None), chassis.id
    for hazard in catalogue.hazards.values():
        for text in (hazard.title, hazard.text):
            yield ("hazard", text, None), hazard.id
    for area in catalogue.tax_areas.values():
        for tax in area.components:
            yield ("tax", tax.name, None), tax.id
    yield from _diagnosis_texts(catalogue.rules)
    for name in sorted(_named(catalogue)):
        word = english.WORDS.get(name, name.replace("_", " "))
        yield ("word", word, None), name


def _diagnosis_texts(rules: DiagnosisRules) -> Iterator[tuple[Text, str]]:
    for fault in rules.diagnosis:
        for text in (fault.name, fault.plain, fault.mind, fault.say_not):
            yield ("diagnosis", text, None), fault.code
    for finding in rules.finding:
        for text in finding.words:
            yield ("finding", text, None), finding.id
    for known in rules.background:
        yield ("background", known.note or known.id.replace("_", " "), None), known.id
    for gate in rules.gate:
        for text in (gate.message, gate.plain):
            yield ("gate", text, None), gate.id
    for conflict in rules.conflict:
        yield ("conflict", conflict.message, None), conflict.id
    for test in rules.test:
        for text in (test.name, test.needs):
            yield ("test", text, None), test.id


def _named(catalogue: Catalogue) -> Iterator[str]:
    """Yield the ids that are shown as words: components, roles, work, classes, grades."""
    for kinds in (ChargeKind, GateAction, Grade, Quality, Scope):
        yield from (kind.value for kind in kinds)
    for component in _components(catalogue):
        yield component.id
        yield component.labour_class
        yield from (*component.spec, *component.limits)
        yield from (role.rstrip("@*") for role in component.renews)
        yield from (row.role.rstrip("@*") for row in component.renews_if)
        yield from (work.id for work in component.refit_work)
    for tick in catalogue.ticks.values():
        yield from tick.manual
        yield from (tick.id,) if tick.hazards else ()
    for rows in catalogue.fitments.values():
        yield from (row.role for row in rows)
    for job in catalogue.jobs.values():
        yield from (role.rstrip("@*") for role in job.replaces)
        yield from (row.id for row in job.work)
        yield from () if job.sublet is None else (job.sublet,)
    for shop in catalogue.shops.values():
        yield from shop.labour.rates
    yield from (f"course-{course.value}" for course in CourseName)
    # work that the machine's condition adds
    yield from ("debris_heavy", "previous_work")


def _components(catalogue: Catalogue) -> Iterator[Component]:
    """Yield the components of engines and machines, and what families have in their place."""
    for layout in catalogue.layouts.values():
        yield from layout.component
    for chassis in catalogue.chassis.values():
        yield from chassis.component
    for family in catalogue.families.values():
        plain = {row.id: row for row in catalogue.layouts[family.layout].component}
        for change in family.override:
            given = {name: getattr(change, name) for name in change.__struct_fields__[1:]}
            changed = {name: value for name, value in given.items() if value is not None}
            yield structs.replace(plain[change.component], **changed)


def collected() -> dict[str, Catalog]:
    """Return what there is to translate, by domain."""
    starter = load_catalogue(REPOSITORY / "catalog")
    found = {}
    for domain, texts in zip(DOMAINS, (own_texts(), catalogue_texts(starter)), strict=True):
        found[domain] = gathered = Catalog()
        for (context, one, many), place in texts:
            if not one:
                continue
            # no line numbers: they would change with every line above
            name = one if many is None else (one, many)
            gathered.add(name, context=context, locations=[(place, None)])  # type: ignore[list-item]
    return found


def errors(language: Path, template: dict[str, Catalog]) -> Iterator[str]:
    """Yield what keeps a language's files from being complete."""
    for domain in DOMAINS:
        path = language / "LC_MESSAGES" / f"{domain}.po"
        if not path.is_file():
            yield f"{path}: missing"
            continue
        kept = {_key(one): one for one in _read(path, language.name) if one.id}
        wanted = {_key(one): one for one in template[domain] if one.id}
        yield from (f"{path}: stale: {key}" for key in kept.keys() - wanted.keys())
        for key in wanted:
            if key not in kept or not _is_translated(kept[key]):
                yield f"{path}: untranslated: {key}"
            else:
                yield from (f"{path}: {error}: {key}" for error in _unlike(kept[key]))


def _key(message: Message) -> tuple[str | None, object]:
    return message.context, message.id


def _is_translated(message: Message) -> bool:
    told = message.string if isinstance(message.string, tuple | list) else (message.string,)
    return not message.fuzzy and all(told)


def _unlike(message: Message) -> Iterator[str]:
    """Yield how a translation differs where it may not: in its facts, and in its ends."""
    texts = message.id if isinstance(message.id, tuple | list) else (message.id,)
    told = message.string if isinstance(message.string, tuple | list) else (message.string,)
    facts = {fact for text in texts for fact in re.findall(r"\{\w*\}", text)}
    for one in (text or "" for text in told):
        if set(re.findall(r"\{\w*\}", one)) != facts:
            yield f"facts other than {sorted(facts)}"
        if one != one.strip():
            yield "blanks at an end"


def _read(path: Path, language: str) -> Catalog:
    with path.open("rb") as file:
        return read_po(file, locale=language, abort_invalid=True)


def update(language: Path, template: dict[str, Catalog]) -> None:
    """Write a language's files anew: all that is to be translated, with what is already."""
    for domain in DOMAINS:
        path = language / "LC_MESSAGES" / f"{domain}.po"
        path.parent.mkdir(parents=True, exist_ok=True)
        kept = _read(path, language.name) if path.is_file() else Catalog(locale=language.name)
        kept.project, kept.version = "kitwright", domain
        kept.header_comment = f"# Kitwright: {domain} texts."
        kept.msgid_bugs_address = kept.last_translator = kept.language_team = "none"
        kept.fuzzy = False
        if not path.is_file():
            kept.creation_date = kept.revision_date = datetime.now(UTC)
        template[domain].creation_date = kept.creation_date
        # never a guess from what looks alike: half right is wrong in a safety sentence
        kept.update(template[domain], no_fuzzy_matching=True)
        kept.obsolete.clear()
        with path.open("wb") as file:
            write_po(file, kept, width=100, include_lineno=False, sort_output=False)


def main(arguments: list[str]) -> int:
    """Run the command line above; return the exit code."""
    asked = argparse.ArgumentParser(prog="python -m tests.language.extract", description=__doc__)
    asked.add_argument("--check", action="store_true")
    asked.add_argument("--new", metavar="LANGUAGE")
    given = asked.parse_args(arguments)
    template = collected()
    kept = sorted(path for path in LOCALE.glob("*") if path.is_dir())
    if given.check:
        found = [error for language in kept for error in errors(language, template)]
        sys.stderr.write("".join(f"{error}\n" for error in found))
        return 1 if found else 0
    for language in [LOCALE / given.new] if given.new else kept:
        update(language, template)
    return 0


if __name__ == "__main__":
    raise SystemExit(main(sys.argv[1:]))
