"""A fuzz of preview bodies: whatever comes, the answer is a quote that adds up or a sound problem.

KITWRIGHT_FUZZ says how many bodies are tried; the same ones every time.
"""

import json
import os
from collections import Counter
from collections.abc import Callable
from pathlib import Path
from random import Random
from typing import Any

import pytest
from tests.desks import Counter as Opened
from tests.web.asgi import Answered, ask
from tests.web.mutation import Maker, changed
from tests.web.problem import sound_problem

from kitwright.web.edge.edge import Edge

MANY = int(os.environ.get("KITWRIGHT_FUZZ", "1500"))
PARTS = 4
HEADERS = [(b"content-type", b"application/json")]
REFUSING = {400, 413, 422}


def adds_up(answer: Answered) -> None:
    """Check that a quote's totals are what they say."""
    quote = json.loads(answer.content)
    totals = quote["totals"]
    if quote["tax_state"] == "unknown":
        assert totals["gross"] is None
        return
    net, tax, gross = (minor(totals[name]["amount"]) for name in ("net", "tax", "gross"))
    assert net + tax == gross
    assert sum(minor(line["net"]["amount"]) for line in quote["lines"]) == net
    assert sum(minor(tax["amount"]["amount"]) for tax in quote["taxes"]) == tax


def kept(examples: Path, operation: str) -> list[Any]:
    """Return the example requests of an operation."""
    return [json.loads(path.read_bytes()) for path in sorted(examples.glob(f"{operation}.*.json"))]


def minor(amount: str) -> int:
    return int(amount.replace(".", ""))


def judge(answer: Answered, body: bytes, is_sound: Callable[[Answered], None], number: int) -> None:
    """Check that an answer is sound, or a sound problem."""
    try:
        if answer.status_code == 200:
            is_sound(answer)
        else:
            assert answer.status_code in REFUSING
            sound_problem(answer, body)
    except Exception as error:
        error.add_note(f"body {number}: {body[:3_000]!r}\n{answer.content[:3_000]!r}")
        raise


def test_any_findings_are_assessed_or_soundly_refused(
    app: Edge, counter: Opened, examples: Path
) -> None:
    headers = [*HEADERS, (b"authorization", f"Bearer {counter.key}".encode())]
    requests = kept(examples, "assessFindings")
    met: Counter[int] = Counter()
    for number in range(MANY // PARTS):
        dice = Random(number)
        body = changed(json.loads(json.dumps(dice.choice(requests))), dice)
        answer = ask(app, "/v1/assessments", headers=headers, parts=[body])
        met[answer.status_code] += 1
        judge(answer, body, lambda sound: json.loads(sound.content), number)
    assert met[200] > MANY / PARTS / 20
    assert met[400] > MANY / PARTS / 20
    assert met[422] > MANY / PARTS / 50


@pytest.mark.parametrize("part", range(PARTS))
def test_any_body_is_quoted_or_soundly_refused(
    app: Edge, counter: Opened, examples: Path, part: int
) -> None:
    service = counter.desk.service
    headers = [*HEADERS, (b"authorization", f"Bearer {counter.key}".encode())]
    maker = Maker(
        service.workshop.catalogue,
        service.workshop.shop,
        kept(examples, "previewQuote"),
    )
    met: Counter[int] = Counter()
    for number in range(part, MANY, PARTS):
        body = maker.body(Random(number))
        answer = ask(app, "/v1/quotes/preview", headers=headers, parts=[body])
        met[answer.status_code] += 1
        judge(answer, body, adds_up, number)
    # a fuzz that only ever meets one kind of answer tests nothing
    assert met[200] > MANY / PARTS / 20
    assert met[400] > MANY / PARTS / 20
    assert met[422] > MANY / PARTS / 20
