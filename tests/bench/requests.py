"""Distinct preview requests as a counter would send them: many serials, conditions and choices."""

from __future__ import annotations

import json
import random
from collections.abc import Hashable, Iterator, Mapping, Sequence
from datetime import date, timedelta
from pathlib import Path

from kitwright.catalogue.graph import job_fits
from kitwright.catalogue.load import load_catalogue
from kitwright.catalogue.model import Catalogue, Family, FamilyId, JobScope
from kitwright.stages.request import RequestRefused, read_request
from kitwright.stages.work import choose_jobs
from kitwright.web.calls.wire import PreviewIn
from kitwright.web.edge.body import decode

CATALOG = Path(__file__).parents[2] / "catalog"

DIAGNOSES = {
    "TB-V68": (
        ("HG-GALLERY", 2),
        ("HG-OUTSIDE", 2),
        ("VALVE-EX", 2),
        ("STEM-SEAL", 2),
        ("BREATHER", 0),
    ),
    "QM-D74": (("HG-GALLERY", 2), ("VALVE-IN", 2), ("ROCKER-COVER", 2), ("RICH", 0)),
    "TB-S50": (("HG-OUTSIDE", 1), ("VALVE-EX", 1), ("BREATHER", 0), ("CRANK-SEAL-PTO", 0)),
    "QM-H27": (("HG-GALLERY", 1), ("VALVE-EX", 1), ("FUEL-DILUTION", 0), ("INTAKE-JOINT", 0)),
}
CHASSIS = {
    "TB-V68": ("SK-ZT52", "DF-RT36", "loose"),
    "QM-D74": ("SK-ZT52", "DF-RT36", "loose"),
    "TB-S50": ("MF-WB30", "DF-RT36", "loose"),
    "QM-H27": ("PW-G5", "OS-PW27", "loose"),
}


def distinct_requests(count: int, seed: int = 20270301) -> list[bytes]:
    """Return so many different request bodies, the same for the same seed."""
    chance = random.Random(seed)
    found: dict[bytes, None] = {}
    while len(found) < count:
        family = chance.choice(sorted(DIAGNOSES))
        code, cylinders = chance.choice(DIAGNOSES[family])
        diagnosis: dict[str, object] = {"code": code}
        if cylinders:
            diagnosis["cylinder"] = chance.randint(1, cylinders)
        body: dict[str, object] = {
            "family": family,
            "serial": chance.randint(1_000_000, 4_000_000),
            "diagnoses": [diagnosis],
            "scope": chance.choice(["least", "recommended", "recommended", "thorough"]),
            "condition": _condition(chance),
            "diagnostic_done": chance.random() < 0.8,
            "on": "2027-03-01",
        }
        chassis = chance.choice(CHASSIS[family])
        body["chassis"] = chassis
        if chance.random() < 0.3:
            percent = str(chance.randint(1, 15))
            body["discounts"] = [{"percent": percent, "reason": "regular", "by": "counter"}]
        if chance.random() < 0.1:
            body["tax_area"] = None
        found[json.dumps(body).encode()] = None
    return list(found)


def unseen_requests(seed: int = 20270301) -> Iterator[bytes]:
    """Yield requests without end of which no two ask for the same work, so that nothing that was
    worked out for one answers another.

    Two ask for the same where family, chassis, operations and condition are the same: whatever
    serial, day, discount or words they have.
    """
    chance = random.Random(seed)
    catalogue = load_catalogue(CATALOG)
    shop = catalogue.shops[min(catalogue.shops)]
    seen: set[Hashable] = set()
    while True:
        body = json.dumps(_plain(chance, catalogue)).encode()
        asked = decode(body, PreviewIn).asked(date(2027, 3, 1))
        try:
            request = read_request(catalogue, shop, asked)
            jobs = choose_jobs(catalogue, request)
        except RequestRefused:
            # one job may be asked for twice
            continue
        keys = tuple(operation.key for operation in jobs.operations)
        work = request.family.id, asked.chassis, keys, asked.condition
        if work not in seen:
            seen.add(work)
            yield body


def _plain(chance: random.Random, catalogue: Catalogue) -> dict[str, object]:
    """Return a request of the everyday form: one diagnosis or two, up to two jobs besides."""
    family = catalogue.families[FamilyId(chance.choice(sorted(DIAGNOSES)))]
    body: dict[str, object] = {
        "family": family.id,
        "serial": chance.randint(1_000_000, 4_000_000),
        "chassis": chance.choice(CHASSIS[family.id]),
        "diagnoses": _placed(chance, family, _diagnoses(family), "code", [1, 1, 1, 2]),
        "add_jobs": _placed(chance, family, _fitting(catalogue, family), "job", [0, 1, 1, 2]),
        "scope": chance.choice(["least", "recommended", "recommended", "thorough"]),
        "condition": _condition(chance),
        "diagnostic_done": chance.random() < 0.8,
        "on": (date(2027, 3, 1) + timedelta(days=chance.randrange(300))).isoformat(),
    }
    if chance.random() < 0.3:
        percent = str(chance.randint(1, 15))
        body["discounts"] = [{"percent": percent, "reason": "regular", "by": "counter"}]
    if chance.random() < 0.1:
        body["tax_area"] = None
    return body


def _condition(chance: random.Random) -> dict[str, object]:
    return {
        "rust": chance.choice(["none", "light", "heavy"]),
        "debris": chance.choice(["none", "heavy"]),
        "previous_work": chance.random() < 0.2,
    }


def _diagnoses(family: Family) -> dict[str, bool]:
    """Return the diagnoses that are drawn of a family, and whether each is of a cylinder."""
    return {code: bool(cylinders) for code, cylinders in DIAGNOSES[family.id]}


def _fitting(catalogue: Catalogue, family: Family) -> dict[str, bool]:
    """Return the jobs that fit a family, and whether each is of a cylinder."""
    return {
        job.id: job.scope is JobScope.cylinder
        for job in catalogue.jobs.values()
        if job_fits(catalogue, family, job)
    }


def varied_requests(count: int, seed: int = 20270301) -> list[bytes]:
    """Return so many requests of which no two share a draft, for whatever the starter catalogue
    can be asked: several jobs and diagnoses, any day, what may turn up, findings, words of the
    customer's, both languages.
    """
    chance = random.Random(seed)
    catalogue = load_catalogue(CATALOG)
    found: dict[str, bytes] = {}
    while len(found) < count:
        body = _varied(chance, catalogue)
        # what shares a draft differs in serial, discounts and words only
        own = {"serial", "discounts", "complaint", "language", "contingencies"}
        draft = json.dumps({name: value for name, value in body.items() if name not in own})
        found.setdefault(draft, json.dumps(body).encode())
    return list(found.values())


def _varied(chance: random.Random, catalogue: Catalogue) -> dict[str, object]:
    family = catalogue.families[FamilyId(chance.choice(sorted(DIAGNOSES)))]
    on = date(2027, 3, 1) + timedelta(days=chance.randrange(300))
    body: dict[str, object] = {
        "family": family.id,
        "serial": chance.randint(1_000_000, 4_000_000),
        "chassis": chance.choice(CHASSIS[family.id]),
        "scope": chance.choice(["least", "recommended", "thorough"]),
        "condition": _condition(chance),
        "diagnostic_done": chance.random() < 0.8,
        "on": on.isoformat(),
        "machines": chance.choice([1, 1, 1, 2, 3]),
        "contingencies": chance.random() < 0.3,
        "language": chance.choice(["en", "en", "de"]),
    }
    if chance.random() < 0.15:
        body["findings"] = _seen(chance, catalogue, family)
    else:
        body["diagnoses"] = _placed(chance, family, _diagnoses(family), "code", [1, 1, 2, 3])
    if chance.random() < 0.5:
        jobs = _fitting(catalogue, family)
        body["add_jobs"] = _placed(chance, family, jobs, "job", [1, 1, 2, 3])
    if chance.random() < 0.3:
        percent = str(chance.randint(1, 15))
        body["discounts"] = [{"percent": percent, "reason": "regular", "by": "counter"}]
    if chance.random() < 0.3:
        body["complaint"] = f"It smokes since {on} and starts badly. " * chance.randint(1, 20)
    return body


def _placed(
    chance: random.Random,
    family: Family,
    known: Mapping[str, bool],
    name: str,
    counts: Sequence[int],
) -> list[dict[str, object]]:
    """Return some things, as many as a count says, each with a cylinder if it is of one."""
    found = []
    for key in chance.sample(sorted(known), min(len(known), chance.choice(counts))):
        placed: dict[str, object] = {name: key}
        if known[key]:
            placed["cylinder"] = chance.randint(1, family.cylinders)
        found.append(placed)
    return found


def _seen(chance: random.Random, catalogue: Catalogue, family: Family) -> dict[str, object]:
    """Return leak-down readings, some findings of each cylinder and what is known besides."""
    kinds = [kind for kind in catalogue.rules.finding if kind.scope is JobScope.cylinder]
    told = [kind for kind in kinds if not kind.upper_percent]
    some = min(3, len(told))
    cylinders = [
        {
            "cylinder": cylinder,
            "leakdown": {"supply": "90", "in_cylinder": str(chance.randint(40, 88))},
            "findings": {kind.id: chance.choice(kind.levels) for kind in chance.sample(told, some)},
        }
        for cylinder in range(1, family.cylinders + 1)
    ]
    known = [row.id for row in catalogue.rules.background]
    return {"cylinders": cylinders, "background": chance.sample(known, chance.randint(0, 2))}
