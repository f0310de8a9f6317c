"""Assessment: the assessment of findings, in one language."""

from __future__ import annotations

from collections.abc import Iterator

from kitwright import quote as wire
from kitwright.catalogue.model import Catalogue, FindingKind, Scope
from kitwright.language.render import Speaker
from kitwright.stages.finding import (
    Assessment,
    Bench,
    Evidence,
    Leakage,
    Ranked,
    settling,
    whole_percent,
)
from kitwright.telling.teller import Teller
from kitwright.units import decimal_text, percent_text


def tell_assessment(
    assessment: Assessment, catalogue: Catalogue, speaker: Speaker
) -> wire.Assessment:
    """Return the assessment of findings, with sentences in the speaker's language."""
    teller = Teller(speaker)
    findings, diagnosed = assessment.findings, assessment.diagnosed
    return wire.Assessment(
        family=findings.family.id,
        language=speaker.language,
        catalogue_revision=catalogue.revision,
        background=tuple(row.id for row in findings.background),
        stopped=bool(findings.stops),
        diagnoses=tuple(_ranked(one, teller) for one in diagnosed.ranked),
        none=str(diagnosed.none),
        leakage=tuple(_leakage(one, findings.banded, speaker) for one in findings.leakages),
        leakage_bands=tuple(_bands(findings.banded, speaker)),
        gates=tuple(
            wire.AnsweredGate(
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
            wire.NextTest(
                test=one.test.id,
                name=speaker.text("test", one.test.name),
                cylinder=one.cylinder,
                cause=one.cause,
                bits=None if one.bits is None else decimal_text(one.bits),
                minutes=one.test.minutes,
                needs=speaker.text("test", one.test.needs),
                job=one.test.job,
                why=teller.whys((one.why,))[0],
            )
            for one in assessment.next_tests
        ),
        cautions=tuple(
            wire.Caution(
                code=one.hazard.id,
                title=speaker.text("hazard", one.hazard.title),
                text=speaker.text("hazard", one.hazard.text),
                steps=tuple(test.id for test in one.tests),
                at=tuple(speaker.text("test", test.name) for test in one.tests),
            )
            for one in assessment.precautions
        ),
    )


def _ranked(one: Ranked, teller: Teller) -> wire.RankedFault:
    diagnosis = one.candidate.diagnosis
    jobs = {
        scope.value: tuple(
            wire.JobOn(job=job.id, name=teller.speaker.job(job.id), cylinder=cylinder)
            for job, cylinder in one.candidate.scopes[scope]
        )
        for scope in Scope
    }
    return wire.RankedFault(
        code=diagnosis.code,
        name=teller.speaker.fault(diagnosis.code),
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
            wire.ToCheck(gate=each.gate.id, plain=teller.speaker.text("gate", each.gate.plain))
            for each in one.asking
        ),
        speaks_for=tuple(_evidence(each, teller) for each in one.speaks_for),
        speaks_against=tuple(_evidence(each, teller) for each in one.speaks_against),
        plain=teller.speaker.text("diagnosis", diagnosis.plain),
        mind=teller.speaker.text("diagnosis", diagnosis.mind) if diagnosis.mind else "",
        say_not=teller.speaker.text("diagnosis", diagnosis.say_not),
        scopes=wire.ScopedJobs(**jobs),
    )


def _evidence(one: Evidence, teller: Teller) -> wire.Evidence:
    seen = one.observation
    return wire.Evidence(
        finding=seen.kind.id,
        level=seen.kind.levels[seen.level],
        cylinder=seen.cylinder,
        times=decimal_text(one.times),
        shared=one.is_shared,
        why=teller.whys((one.why,))[0],
    )


def _bands(kind: FindingKind | None, speaker: Speaker) -> Iterator[wire.LeakageBand]:
    if kind is None:
        return
    uppers = (*map(decimal_text, kind.upper_percent), None)
    for band, words, upper, verdict in zip(
        kind.levels, kind.words, uppers, kind.verdicts, strict=True
    ):
        told = speaker.text("finding", words)
        yield wire.LeakageBand(band=band, words=told, upper_percent=upper, verdict=verdict)


def _leakage(one: Leakage, banded: FindingKind | None, speaker: Speaker) -> wire.CylinderLeakage:
    words = None
    if one.level is not None and banded is not None:
        words = speaker.text("finding", banded.words[one.level])
    return wire.CylinderLeakage(
        cylinder=one.cylinder,
        percent=None if one.percent is None else percent_text(one.percent),
        whole_percent=None if one.percent is None else str(whole_percent(one.percent, banded)),
        band=one.band,
        words=words,
        standing=one.standing,
        readings=tuple(
            wire.GaugeReading(
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
) -> tuple[wire.ConflictingFindings, ...]:
    bench = Bench(catalogue, assessment.findings)
    found = []
    for clash in assessment.findings.clashes:
        row = clash.conflict
        test, cylinder = bench.named(row.retest, clash.cylinder)
        found.append(
            wire.ConflictingFindings(
                conflict=row.id,
                cylinder=clash.cylinder,
                findings=tuple(one.finding for one in row.when if one.finding is not None),
                message=speaker.text("conflict", row.message),
                retest=wire.Retest(test=test.id, cylinder=cylinder),
            )
        )
    for over in assessment.diagnosed.clashes:
        one, other = over.one.observation, over.other.observation
        test, cylinder = settling(bench, one, other)
        found.append(
            wire.ConflictingFindings(
                conflict=None,
                cylinder=over.ranked.cylinder,
                findings=(one.kind.id, other.kind.id),
                message=speaker.sentence(over.why),
                retest=wire.Retest(test=test.id, cylinder=cylinder),
            )
        )
    return tuple(found)
