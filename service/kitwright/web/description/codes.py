"""Codes: every kind of problem and of fault that an answer may name. They are part of the
interface.
"""

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
from kitwright.web.calls.out import Out
from kitwright.web.edge.problems import ACTS, GAPS, KINDS, CodeText, Status

_SHAPE: Final = {
    "malformed": ("not-json", "The text breaks JSON's grammar; the detail says where."),
    "not-a-number": ("not-json", "NaN and the infinities are no JSON."),
    "missing-member": ("body-invalid", "A member that has to be there is not."),
    "unknown-member": ("body-invalid", "A member that this object does not have."),
    "duplicate-member": ("body-invalid", "A member given more than once."),
    "wrong-type": ("body-invalid", "A value of another JSON type than the member takes."),
    "out-of-range": ("body-invalid", "A number beyond what the member takes."),
    "wrong-length": ("body-invalid", "A text or list that is too short or too long."),
    "wrong-form": ("body-invalid", "A text that is not written as the member takes it."),
    "not-a-choice": ("body-invalid", "A value that is none of those the member takes."),
    "lone-surrogate": ("body-invalid", "Half of a surrogate pair, which is no character."),
    "wrong-shape": ("body-invalid", "An object whose members do not go together."),
}
"""Code of a fault of a body's shape -> the problem that names it, its meaning."""

_REFUSALS: Final[tuple[type[KitwrightError], ...]] = (RequestFault, UnknownLanguage)


class CodeOut(Out, frozen=True, kw_only=True):
    """A code that answers carry: a problem's own (`is_fault` false), or of an entry in `errors`
    of the problem `problem`.
    """

    code: CodeText
    is_fault: bool
    problem: CodeText
    status: Status
    title: str
    advice: str


def documented_codes() -> tuple[CodeOut, ...]:
    """Return every code that an answer may carry: the problems, then the faults by problem."""
    problems = [
        CodeOut(
            code=code,
            is_fault=False,
            problem=code,
            status=kind.status,
            title=kind.title,
            advice=kind.advice,
        )
        for code, kind in KINDS.items()
    ]
    return (*problems, *(_fault(*each) for each in _meanings()))


def _meanings() -> Iterator[tuple[str, str, str]]:
    """Yield code, problem and meaning of every fault."""
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
    """Yield the errors below some bases that a request can meet: those without errors below."""
    for base in bases:
        # what the composition root adds is about settings, not about requests
        below = tuple(one for one in base.__subclasses__() if one.__module__ != "kitwright.app")
        if below:
            yield from leaves(below)
        else:
            yield base


def _fault(code: str, problem: str, meaning: str) -> CodeOut:
    advice = f"Stands in `errors` of the problem `{problem}`; `detail` there says what is right."
    return CodeOut(
        code=code,
        is_fault=True,
        problem=problem,
        status=KINDS[problem].status,
        title=meaning,
        advice=advice,
    )
