"""Whether an answer is a sound problem document, by RFC 9457 and the documented codes."""

import json
import re
from collections.abc import Mapping
from typing import Any, Protocol

from kitwright.web.description.codes import documented_codes

MEDIA_TYPE = "application/problem+json"
CODES = {each.code: each for each in documented_codes()}


class Answer(Protocol):
    """What an HTTP client gives back."""

    @property
    def status_code(self) -> int: ...
    @property
    def headers(self) -> Mapping[str, str]: ...
    @property
    def content(self) -> bytes: ...


def sound_problem(answer: Answer, body: bytes = b"") -> dict[str, Any]:
    """Return the problem document of an answer, after checking it against the body it is about."""
    assert answer.headers["content-type"] == MEDIA_TYPE, (answer.status_code, answer.content)
    told: dict[str, Any] = json.loads(answer.content)
    kind = CODES[told["code"]]
    assert not kind.is_fault
    assert told["status"] == answer.status_code == kind.status
    assert told["type"] == f"/problems/{told['code']}"
    assert told["title"] == kind.title
    assert told["detail"]
    for fault in told.get("errors", ()):
        assert CODES[fault["code"]].is_fault
        assert CODES[fault["code"]].problem == told["code"] or told["code"] == "not-json"
        assert fault["detail"]
        assert points_somewhere(fault["pointer"], body), (fault, body)
    return told


def points_somewhere(pointer: str, body: bytes) -> bool:
    """Whether a pointer leads to a value, or to a member that an object of the body lacks."""
    assert re.fullmatch("(/([^/~]|~[01])*)*", pointer), pointer
    if not pointer:
        return True
    value = json.loads(body, parse_int=float)
    steps = [step.replace("~1", "/").replace("~0", "~") for step in pointer[1:].split("/")]
    for place, step in enumerate(steps):
        if isinstance(value, dict) and step in value:
            value = value[step]
        elif isinstance(value, list) and step.isdecimal() and int(step) < len(value):
            value = value[int(step)]
        else:
            return isinstance(value, dict) and place == len(steps) - 1
    return True


def faults(told: Mapping[str, Any]) -> set[tuple[str, str]]:
    """Return pointer and code of every fault."""
    return {(fault["pointer"], fault["code"]) for fault in told.get("errors", ())}
