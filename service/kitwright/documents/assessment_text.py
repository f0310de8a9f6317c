"""An assessment as plain text, for a terminal or a printer."""

from __future__ import annotations

from collections.abc import Iterator
from textwrap import wrap

from kitwright.documents.layout import WIDTH, spread, title
from kitwright.language.render import Speaker
from kitwright.stages.assessment import Assessment
from kitwright.stages.diagnosis import Evidence, Ranked
from kitwright.stages.leakage import Standing
from kitwright.units import percent_text


def assessment_text(assessment: Assessment, speaker: Speaker) -> str:
    """Return the assessment as text of at most `WIDTH` columns, ending in a newline."""
    sections = (
        _head(assessment),
        _leakage(assessment, speaker),
        _gates(assessment, speaker),
        _conflicts(assessment, speaker),
        _faults(assessment, speaker),
        _tests(assessment, speaker),
        _cautions(assessment),
    )
    return "\n".join("\n".join(lines) + "\n" for lines in map(list, sections) if lines)


def _head(assessment: Assessment) -> Iterator[str]:
    findings = assessment.findings
    family = findings.family
    yield "=" * WIDTH
    yield f"ASSESSMENT  {family.maker} {family.name} ({family.id})"
    yield "=" * WIDTH
    known = ", ".join(row.note or row.id.replace("_", " ") for row in findings.background)
    if known:
        yield from _wrapped(f"Known beforehand: {known}")
    yield f"Findings that count: {len(findings.counted)} of {len(findings.observations)}"
    if findings.stops:
        yield "STOPPED: no test and no quote until this is cleared; see below."


def _leakage(assessment: Assessment, speaker: Speaker) -> Iterator[str]:
    leakages = assessment.findings.leakages
    if not leakages:
        return
    yield from title("Leak-down, both gauges in psi", "leakage")
    words = {
        Standing.counts: "",
        Standing.indicative: "  (indicative)",
        Standing.void: "  (void)",
    }
    for one in leakages:
        for reading in one.readings:
            gauges = f"{speaker.number(reading.supply)} / {speaker.number(reading.in_cylinder)}"
            named = f"  Cylinder {one.cylinder}: {gauges}{words[reading.standing]}"
            yield from spread(named, f"{percent_text(reading.percent)} %")
        if one.percent is not None and len(one.readings) > 1:
            decided = f"  Cylinder {one.cylinder}, decided by what counts"
            yield from spread(decided, f"{percent_text(one.percent)} %")


def _gates(assessment: Assessment, speaker: Speaker) -> Iterator[str]:
    answered = assessment.findings.answered
    if not answered:
        return
    yield from title("Checked first")
    for one in answered:
        where = speaker.on_cylinder(one.gate.action.value.replace("_", " "), one.cylinder)
        yield from _wrapped(f"{where}: {one.gate.message}")


def _conflicts(assessment: Assessment, speaker: Speaker) -> Iterator[str]:
    told = [speaker.on_cylinder(one.conflict.message, None) for one in assessment.findings.clashes]
    told += [speaker.sentence(one.why) for one in assessment.diagnosed.clashes]
    if not told:
        return
    yield from title("Does not go together")
    for message in told:
        yield from _wrapped(message)


def _faults(assessment: Assessment, speaker: Speaker) -> Iterator[str]:
    ranked = assessment.diagnosed.ranked
    yield from title("What it may be", "probability")
    if not ranked:
        yield "  Nothing stands out. What was not looked at is not normal: see the next tests."
    for one in ranked:
        yield from _fault(one, speaker)


def _fault(one: Ranked, speaker: Speaker) -> Iterator[str]:
    grade = "in play" if one.grade is None else one.grade.value
    name = speaker.fault(one.code, one.cylinder)
    yield from spread(f"  {one.candidate.key}: {name}: {grade}", str(one.probability))
    yield from _wrapped(one.candidate.diagnosis.plain, 6)
    yield from _evidence("for", one.speaks_for, speaker)
    yield from _evidence("against", one.speaks_against, speaker)
    yield from _wrapped(f"Not to be claimed: {one.candidate.diagnosis.say_not}", 6)
    for each in one.holding:
        yield from _wrapped(f"Not to be quoted yet: {each.gate.message}", 6)


def _evidence(side: str, told: tuple[Evidence, ...], speaker: Speaker) -> Iterator[str]:
    for one in told:
        yield from _wrapped(f"{side:<8}{speaker.sentence(one.why)}", 6)


def _tests(assessment: Assessment, speaker: Speaker) -> Iterator[str]:
    tests = assessment.next_tests
    if not tests:
        return
    yield from title("Next tests, in this order", "minutes")
    for number, one in enumerate(tests, start=1):
        named = speaker.on_cylinder(one.test.name, one.cylinder)
        yield from spread(f"  {number:>2}. {named}", str(one.test.minutes))
        yield from _wrapped(f"{speaker.sentence(one.why)} Needs: {one.test.needs}.", 6)


def _cautions(assessment: Assessment) -> Iterator[str]:
    if not assessment.precautions:
        return
    yield from title("Cautions; the maker's manual and local rules come first")
    for one in assessment.precautions:
        yield from _wrapped(f"{one.hazard.title}: {one.hazard.text} (At: {', '.join(one.tests)}.)")


def _wrapped(text: str, indent: int = 2) -> Iterator[str]:
    yield from wrap(text, WIDTH, initial_indent=" " * indent, subsequent_indent=" " * (indent + 2))
