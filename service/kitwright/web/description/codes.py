"""Codes: lists every code of a problem or of an entry in `errors`. They are part of the API."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Final

# Imported for the errors that they define or bring: the list must not depend on who asks first.
import kitwright.flow
import kitwright.web.calls.all
import kitwright.web.calls.wire  # noqa: F401
from kitwright.errors import KitwrightError
from kitwright.keeping.prices import PriceMoved
from kitwright.language.render import UnknownLanguage
from kitwright.stages.request import RequestFault
from kitwright.web.calls.shown import Out
from kitwright.web.edge.problems import ACTS, GAPS, KINDS, CodeText, Status

_SHAPE: Final = {
    "malformed": ("not-json", "The body is not valid JSON; `detail` says where."),
    "not-a-number": ("not-json", "NaN and infinities are not allowed in JSON."),
    "missing-member": ("body-invalid", "A required member is missing."),
    "unknown-member": ("body-invalid", "A member that this object does not allow."),
    "duplicate-member": ("body-invalid", "A member given more than once."),
    "wrong-type": ("body-invalid", "A value of the wrong JSON type."),
    "out-of-range": ("body-invalid", "A number outside the allowed range."),
    "wrong-length": ("body-invalid", "A string or list that is too short or too long."),
    "wrong-form": ("body-invalid", "A string that does not match the required format."),
    "not-a-choice": ("body-invalid", "A value that is not one of those allowed."),
    "lone-surrogate": ("body-invalid", "An unpaired surrogate, which is not a character."),
    "wrong-shape": ("body-invalid", "An object with members that can't be combined."),
}
"""Code of an error in a body's shape -> the problem that reports it, its meaning."""
_ADVICE: Final = "Appears in `errors` of the problem `{}`; its `detail` says what is expected."

_REFUSALS: Final[tuple[type[KitwrightError], ...]] = (RequestFault, UnknownLanguage)


class CodeOut(Out, frozen=True, kw_only=True):
    """A code that answers use: of a problem itself (`is_fault` false), or of an entry in `errors`
    of the problem `problem`.
    """

    code: CodeText
    is_fault: bool
    problem: CodeText
    status: Status
    title: str
    advice: str


def documented_codes() -> tuple[CodeOut, ...]:
    """Return every code that an answer may use: the problems, then the entries of `errors` by
    problem.
    """
    problems = [(code, False, code, kind.title, kind.advice) for code, kind in KINDS.items()]
    faults = [
        (code, True, problem, meaning, _ADVICE.format(problem))
        for code, problem, meaning in _meanings()
    ]
    return tuple(
        CodeOut(
            code=code,
            is_fault=is_fault,
            problem=problem,
            status=KINDS[problem].status,
            title=title,
            advice=advice,
        )
        for code, is_fault, problem, title, advice in problems + faults
    )


def _meanings() -> Iterator[tuple[str, str, str]]:
    """Yield code, problem and meaning of every entry that `errors` may have."""
    for code, (problem, meaning) in _SHAPE.items():
        yield code, problem, meaning
    for bases, problem in (
        (_REFUSALS, "request-refused"),
        (ACTS, "act-refused"),
        ((PriceMoved,), "prices-moved"),
        (GAPS, "catalogue-gap"),
    ):
        for leaf in sorted(leaves(bases), key=lambda one: one.code):
            yield leaf.code, problem, " ".join((leaf.__doc__ or "").partition("\n\n")[0].split())


def leaves(bases: tuple[type[KitwrightError], ...]) -> Iterator[type[KitwrightError]]:
    """Yield the error classes without subclasses below some bases, if a request can cause them."""
    for base in bases:
        # what the composition root adds is about settings, not about requests
        below = tuple(one for one in base.__subclasses__() if one.__module__ != "kitwright.app")
        if below:
            yield from leaves(below)
        else:
            yield base
