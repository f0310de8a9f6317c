"""Assessment text: an assessment as plain text, for a terminal or a printer."""

from __future__ import annotations

from collections.abc import Iterator
from textwrap import wrap

from kitwright.documents.layout import WIDTH, spread, title
from kitwright.language.render import Speaker
from kitwright.stages.finding import Assessment, Evidence, Ranked, Standing, whole_percent


def assessment_text(assessment: Assessment, speaker: Speaker) -> str:
    """Return the assessment as text of at most `WIDTH` columns, ending in a newline."""
    sections = (
        _head(assessment, speaker),
        _leakage(assessment, speaker),
        _gates(assessment, speaker),
        _conflicts(assessment, speaker),
        _faults(assessment, speaker),
        _tests(assessment, speaker),
        _cautions(assessment, speaker),
    )
    return "\n".join("\n".join(lines) + "\n" for lines in map(list, sections) if lines)


def _head(assessment: Assessment, speaker: Speaker) -> Iterator[str]:
    findings = assessment.findings
    family = findings.family
    yield "=" * WIDTH
    named = f"{family.maker} {family.name} ({family.id})"
    yield speaker.say("ASSESSMENT  {engine}", engine=named)
    yield "=" * WIDTH
    known = "; ".join(
        speaker.text("background", row.note or row.id.replace("_", " "))
        for row in findings.background
    )
    if known:
        yield from _wrapped(speaker.say("Known beforehand: {known}", known=known))
    yield speaker.say(
        "Findings that count: {count} of {all}",
        count=len(findings.counted),
        all=len(findings.observations),
    )
    if findings.stops:
        yield speaker.say("STOPPED: no test and no quote until this is cleared; see below.")


def _leakage(assessment: Assessment, speaker: Speaker) -> Iterator[str]:
    leakages = assessment.findings.leakages
    if not leakages:
        return
    banded = assessment.findings.banded
    yield from title(speaker.say("Leak-down: supply / cylinder gauge"), speaker.say("leakage"))
    words = {
        Standing.counts: "",
        Standing.indicative: f"  ({speaker.say('indicative')})",
        Standing.void: f"  ({speaker.say('void')})",
    }
    for one in leakages:
        for reading in one.readings:
            # as read, with every digit: a gauge is not converted
            read = (f"{gauge:f}" for gauge in (reading.asked.supply, reading.asked.in_cylinder))
            gauges = f"{' / '.join(map(speaker.figure, read))} {reading.asked.unit}"
            cylinder = speaker.say("Cylinder {cylinder}", cylinder=one.cylinder)
            named = f"  {cylinder}: {gauges}{words[reading.standing]}"
            yield from spread(named, speaker.percent(whole_percent(reading.percent, banded)))
        if one.percent is not None and len(one.readings) > 1:
            decided = speaker.say(
                "Cylinder {cylinder}, from the readings that count", cylinder=one.cylinder
            )
            yield from spread(f"  {decided}", speaker.percent(whole_percent(one.percent, banded)))


def _gates(assessment: Assessment, speaker: Speaker) -> Iterator[str]:
    answered = assessment.findings.answered
    if not answered:
        return
    yield from title(speaker.say("Checked first"))
    for one in answered:
        where = speaker.on_cylinder(speaker.word(one.gate.action.value), one.cylinder)
        yield from _wrapped(f"{where}: {speaker.text('gate', one.gate.message)}")


def _conflicts(assessment: Assessment, speaker: Speaker) -> Iterator[str]:
    told = [speaker.text("conflict", one.conflict.message) for one in assessment.findings.clashes]
    told += [speaker.sentence(one.why) for one in assessment.diagnosed.clashes]
    if not told:
        return
    yield from title(speaker.say("Conflicting findings"))
    for message in told:
        yield from _wrapped(message)


def _faults(assessment: Assessment, speaker: Speaker) -> Iterator[str]:
    ranked = assessment.diagnosed.ranked
    yield from title(speaker.say("What it may be"), speaker.say("probability"))
    if not ranked:
        yield "  " + speaker.say(
            "No fault stands out. Findings that were not taken do not count as normal; see the "
            "next tests."
        )
    for one in ranked:
        yield from _fault(one, speaker)


def _fault(one: Ranked, speaker: Speaker) -> Iterator[str]:
    diagnosis = one.candidate.diagnosis
    grade = speaker.say("still possible") if one.grade is None else speaker.word(one.grade.value)
    name = speaker.fault(one.code, one.cylinder)
    yield from spread(
        f"  {one.candidate.key}: {name}: {grade}", speaker.figure(str(one.probability))
    )
    yield from _wrapped(speaker.text("diagnosis", diagnosis.plain), 6)
    yield from _evidence(speaker.say_as("evidence", "for"), one.speaks_for, speaker)
    yield from _evidence(speaker.say_as("evidence", "against"), one.speaks_against, speaker)
    say_not = speaker.text("diagnosis", diagnosis.say_not)
    yield from _wrapped(speaker.say("Do not claim: {claim}", claim=say_not), 6)
    for each in one.holding:
        message = speaker.text("gate", each.gate.message)
        yield from _wrapped(speaker.say("Do not quote yet: {message}", message=message), 6)
    if one.is_contested:
        told = speaker.say("Do not quote yet: the findings conflict.")
        yield from _wrapped(told, 6)
    if one.is_weak:
        told = speaker.say("Do not quote yet: its readings are void or only indicative.")
        yield from _wrapped(told, 6)
    if not one.candidate.has_repair:
        yield from _wrapped(speaker.say("The catalogue has no job for it."), 6)
    for each in one.asking:
        message = speaker.text("gate", each.gate.message)
        yield from _wrapped(
            speaker.say("Do not call it certain yet: {message}", message=message), 6
        )


def _evidence(side: str, told: tuple[Evidence, ...], speaker: Speaker) -> Iterator[str]:
    for one in told:
        yield from _wrapped(f"{side:<8}{speaker.sentence(one.why)}", 6)


def _tests(assessment: Assessment, speaker: Speaker) -> Iterator[str]:
    tests = assessment.next_tests
    if not tests:
        return
    yield from title(speaker.say("Next tests, in this order"), speaker.say("minutes"))
    for number, one in enumerate(tests, start=1):
        named = speaker.on_cylinder(speaker.text("test", one.test.name), one.cylinder)
        yield from spread(f"  {number:>2}. {named}", str(one.test.minutes))
        needs = speaker.say("Needs: {needs}.", needs=speaker.text("test", one.test.needs))
        yield from _wrapped(f"{speaker.sentence(one.why)} {needs}", 6)


def _cautions(assessment: Assessment, speaker: Speaker) -> Iterator[str]:
    if not assessment.precautions:
        return
    yield from title(
        speaker.say("Cautions (the manufacturer's manual and local regulations take precedence)")
    )
    for one in assessment.precautions:
        told = speaker.say(
            "{title}: {text} (Steps: {steps}.)",
            title=speaker.text("hazard", one.hazard.title),
            text=speaker.text("hazard", one.hazard.text),
            steps="; ".join(speaker.text("test", test.name) for test in one.tests),
        )
        yield from _wrapped(told)


def _wrapped(text: str, indent: int = 2) -> Iterator[str]:
    yield from wrap(text, WIDTH, initial_indent=" " * indent, subsequent_indent=" " * (indent + 2))
