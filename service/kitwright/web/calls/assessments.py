"""Assessments on the wire: how an assessment of the core becomes the answer's structs."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Annotated

from msgspec import Meta, field

from kitwright.catalogue.model import Catalogue, FindingKind, GateAction, Grade, Scope, Verdict
from kitwright.language.render import Speaker
from kitwright.stages.finding import (
    Assessment,
    Bench,
    Cause,
    Evidence,
    Leakage,
    Ranked,
    Standing,
    settling,
    whole_percent,
)
from kitwright.units import PressureUnit, decimal_text, percent_text
from kitwright.web.calls.draft import Teller
from kitwright.web.calls.out import CautionOut, Count, DecimalText, Minutes, OnCylinder, Out, WhyOut

Chance = Annotated[str, Meta(pattern=r"^[01]\.[0-9]{4}$", description="A probability, 0 to 1.")]
Percent = Annotated[str, Meta(pattern=r"^-?[0-9]+\.[0-9]{2}$", description="Per cent.")]
WholePercent = Annotated[
    str,
    Meta(
        pattern=r"^-?[0-9]+$",
        description="Per cent as documents print it: the nearest whole one in the same band.",
    ),
]


class EvidenceOut(Out, frozen=True, kw_only=True):
    """What one finding by itself says of a diagnosis: how many times more likely it is with the
    fault than without it, or, among those against it, without it than with it. `shared` where the
    rest explains it as well, so that it adds little here.
    """

    finding: str
    level: str
    cylinder: OnCylinder | None
    times: DecimalText
    shared: bool
    why: WhyOut


class ScopeJobOut(Out, frozen=True, kw_only=True):
    """A job of a scope, on its cylinder; null for an engine job."""

    job: str
    name: str
    cylinder: OnCylinder | None


class RankedScopesOut(Out, frozen=True, kw_only=True):
    """The jobs of each scope, cylinder by cylinder."""

    least: tuple[ScopeJobOut, ...]
    recommended: tuple[ScopeJobOut, ...]
    thorough: tuple[ScopeJobOut, ...]


class CheckOut(Out, frozen=True, kw_only=True):
    """What is still looked at before a diagnosis can be confirmed: the gate that asks for it, and
    what a customer reads of it.
    """

    gate: str
    plain: str


class RankedOut(Out, frozen=True, kw_only=True):
    """A fault in play. `grade` is null where it is too unlikely for one. `is_seen` where the fault
    itself was looked at: nothing contests it. `contested` where findings that speak of it do not go
    together, and one has to be repeated; `is_weak` where what was read of it is void or only
    indicative, and no sign of its own was found. `held_by` are gates that put something else first;
    `to_check` is asked before it may be confirmed. `is_quotable` where a quote may be made of it
    now. Without a job for it here, `has_job` is false and `scopes` are empty.
    """

    code: str
    name: str
    cylinder: OnCylinder | None
    probability: Chance
    grade: Grade | None
    is_seen: bool
    contested: bool
    is_weak: bool
    has_job: bool
    is_quotable: bool
    held_by: tuple[str, ...]
    to_check: tuple[CheckOut, ...]
    speaks_for: tuple[EvidenceOut, ...] = field(name="for")
    speaks_against: tuple[EvidenceOut, ...] = field(name="against")
    plain: str
    say_not: str
    scopes: RankedScopesOut


class BandOut(Out, frozen=True, kw_only=True):
    """A band of leakage: its upper limit, which belongs to it (null for the last), the band as a
    reader sees it, and what it means.
    """

    band: str
    words: str
    upper_percent: DecimalText | None
    verdict: Verdict


class ReadingOut(Out, frozen=True, kw_only=True):
    """One reading, both gauges as read, in `unit`, and the same in psi; and what becomes of it."""

    supply: DecimalText
    in_cylinder: DecimalText
    unit: PressureUnit
    supply_psi: DecimalText
    cylinder_psi: DecimalText
    percent: Percent
    whole_percent: WholePercent
    orifice_mm: DecimalText | None
    warm: bool | None
    standing: Standing


class LeakageOut(Out, frozen=True, kw_only=True):
    """The leakage of a cylinder, the mean of its last two readings that count, and its band; null
    where nothing counts. `words` is the band as a reader sees it.
    """

    cylinder: OnCylinder
    percent: Percent | None
    whole_percent: WholePercent | None
    band: str | None
    words: str | None
    standing: Standing
    readings: tuple[ReadingOut, ...]


class GateOut(Out, frozen=True, kw_only=True):
    """A gate that answered: on a cylinder or, where that is null, on the engine; to one reading,
    counted from 0, where `reading` is not null.
    """

    gate: str
    action: GateAction
    cylinder: OnCylinder | None
    reading: Count | None
    job: str | None
    message: str


class RetestOut(Out, frozen=True, kw_only=True):
    """A test, on a cylinder or on the engine."""

    test: str
    cylinder: OnCylinder | None


class ConflictOut(Out, frozen=True, kw_only=True):
    """Findings that do not go together, and the one test to repeat. `conflict` is null where it
    follows from what the findings say of a fault.
    """

    conflict: str | None
    cylinder: OnCylinder | None
    findings: tuple[str, ...]
    message: str
    retest: RetestOut


class NextTestOut(Out, frozen=True, kw_only=True):
    """A test to do next. `bits` is null where it is not ranked; `job` is what it is sold as."""

    test: str
    name: str
    cylinder: OnCylinder | None
    cause: Cause
    bits: DecimalText | None
    minutes: Minutes
    needs: str
    job: str | None
    why: WhyOut


class AssessmentOut(Out, frozen=True, kw_only=True):
    """What findings come to. `stopped` where nothing may be tested or quoted; `none` is the
    probability of no fault among those known.
    """

    family: str
    language: str
    catalogue_revision: str
    background: tuple[str, ...]
    stopped: bool
    diagnoses: tuple[RankedOut, ...]
    none: Chance
    leakage: tuple[LeakageOut, ...]
    leakage_bands: tuple[BandOut, ...]
    gates: tuple[GateOut, ...]
    conflicts: tuple[ConflictOut, ...]
    next_tests: tuple[NextTestOut, ...]
    cautions: tuple[CautionOut, ...]


def assessment_out(
    assessment: Assessment,
    catalogue: Catalogue,
    speaker: Speaker,
    *,
    language: str,
) -> AssessmentOut:
    """Return an assessment as it goes over the wire, sentences in the speaker's language."""
    told = Teller(speaker)
    findings, diagnosed = assessment.findings, assessment.diagnosed
    return AssessmentOut(
        family=findings.family.id,
        language=language,
        catalogue_revision=catalogue.revision,
        background=tuple(row.id for row in findings.background),
        stopped=bool(findings.stops),
        diagnoses=tuple(_ranked(one, told) for one in diagnosed.ranked),
        none=str(diagnosed.none),
        leakage=tuple(_leakage(one, findings.banded, speaker) for one in findings.leakages),
        leakage_bands=tuple(_bands(findings.banded, speaker)),
        gates=tuple(
            GateOut(
                gate=one.gate.id,
                action=one.gate.action,
                cylinder=one.cylinder,
                reading=one.reading,
                job=one.gate.job,
                message=speaker.text("gate", one.gate.message),
            )
            for one in findings.answered
        ),
        conflicts=_conflicts(assessment, catalogue, speaker),
        next_tests=tuple(
            NextTestOut(
                test=one.test.id,
                name=speaker.text("test", one.test.name),
                cylinder=one.cylinder,
                cause=one.cause,
                bits=None if one.bits is None else decimal_text(one.bits),
                minutes=one.test.minutes,
                needs=speaker.text("test", one.test.needs),
                job=one.test.job,
                why=told.whys((one.why,))[0],
            )
            for one in assessment.next_tests
        ),
        cautions=tuple(
            CautionOut(
                code=one.hazard.id,
                title=speaker.text("hazard", one.hazard.title),
                text=speaker.text("hazard", one.hazard.text),
                steps=tuple(test.id for test in one.tests),
            )
            for one in assessment.precautions
        ),
    )


def _ranked(one: Ranked, told: Teller) -> RankedOut:
    diagnosis = one.candidate.diagnosis
    jobs = {
        scope.value: tuple(
            ScopeJobOut(job=job.id, name=told.speaker.job(job.id), cylinder=cylinder)
            for job, cylinder in one.candidate.scopes[scope]
        )
        for scope in Scope
    }
    return RankedOut(
        code=diagnosis.code,
        name=told.speaker.fault(diagnosis.code),
        cylinder=one.cylinder,
        probability=str(one.probability),
        grade=one.grade,
        is_seen=one.is_seen,
        contested=one.is_contested,
        is_weak=one.is_weak,
        has_job=one.candidate.has_repair,
        is_quotable=one.is_quotable,
        held_by=tuple(dict.fromkeys(each.gate.id for each in one.holding)),
        to_check=tuple(
            CheckOut(gate=each.gate.id, plain=told.speaker.text("gate", each.gate.plain))
            for each in one.asking
        ),
        speaks_for=tuple(_evidence(each, told) for each in one.speaks_for),
        speaks_against=tuple(_evidence(each, told) for each in one.speaks_against),
        plain=told.speaker.text("diagnosis", diagnosis.plain),
        say_not=told.speaker.text("diagnosis", diagnosis.say_not),
        scopes=RankedScopesOut(**jobs),
    )


def _evidence(one: Evidence, told: Teller) -> EvidenceOut:
    seen = one.observation
    return EvidenceOut(
        finding=seen.kind.id,
        level=seen.kind.levels[seen.level],
        cylinder=seen.cylinder,
        times=decimal_text(one.times),
        shared=one.is_shared,
        why=told.whys((one.why,))[0],
    )


def _bands(kind: FindingKind | None, speaker: Speaker) -> Iterator[BandOut]:
    if kind is None:
        return
    uppers = (*map(decimal_text, kind.upper_percent), None)
    for band, words, upper, verdict in zip(
        kind.levels, kind.words, uppers, kind.verdicts, strict=True
    ):
        told = speaker.text("finding", words)
        yield BandOut(band=band, words=told, upper_percent=upper, verdict=verdict)


def _leakage(one: Leakage, banded: FindingKind | None, speaker: Speaker) -> LeakageOut:
    words = None
    if one.level is not None and banded is not None:
        words = speaker.text("finding", banded.words[one.level])
    return LeakageOut(
        cylinder=one.cylinder,
        percent=None if one.percent is None else percent_text(one.percent),
        whole_percent=None if one.percent is None else str(whole_percent(one.percent, banded)),
        band=one.band,
        words=words,
        standing=one.standing,
        readings=tuple(
            ReadingOut(
                supply=f"{each.asked.supply:f}",
                in_cylinder=f"{each.asked.in_cylinder:f}",
                unit=each.asked.unit,
                supply_psi=decimal_text(each.supply),
                cylinder_psi=decimal_text(each.in_cylinder),
                percent=percent_text(each.percent),
                whole_percent=str(whole_percent(each.percent, banded)),
                orifice_mm=None
                if each.asked.orifice_mm is None
                else decimal_text(each.asked.orifice_mm),
                warm=each.asked.is_warm,
                standing=each.standing,
            )
            for each in one.readings
        ),
    )


def _conflicts(
    assessment: Assessment, catalogue: Catalogue, speaker: Speaker
) -> tuple[ConflictOut, ...]:
    bench = Bench(catalogue, assessment.findings)
    found = []
    for clash in assessment.findings.clashes:
        row = clash.conflict
        test, cylinder = bench.named(row.retest, clash.cylinder)
        found.append(
            ConflictOut(
                conflict=row.id,
                cylinder=clash.cylinder,
                findings=tuple(one.finding for one in row.when if one.finding is not None),
                message=speaker.text("conflict", row.message),
                retest=RetestOut(test=test.id, cylinder=cylinder),
            )
        )
    for over in assessment.diagnosed.clashes:
        one, other = over.one.observation, over.other.observation
        test, cylinder = settling(bench, one, other)
        found.append(
            ConflictOut(
                conflict=None,
                cylinder=over.ranked.cylinder,
                findings=(one.kind.id, other.kind.id),
                message=speaker.sentence(over.why),
                retest=RetestOut(test=test.id, cylinder=cylinder),
            )
        )
    return tuple(found)
