"""Distinct preview requests as a counter would send them: many serials, conditions and choices."""

from __future__ import annotations

import json
import random

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
            "condition": {
                "rust": chance.choice(["none", "light", "heavy"]),
                "debris": chance.choice(["none", "heavy"]),
                "previous_work": chance.random() < 0.2,
            },
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
