"""Question words: the open questions of a quote, and what is priced until they are answered."""

from __future__ import annotations

from kitwright.language.scribe import Scribe
from kitwright.quote import Question, Quote


def machines_of(question: Question | None) -> tuple[str, tuple[str, ...]]:
    """Return the name of the machine that is priced, and the names of all that it may be; empty if
    the machine is known (`question` is None).
    """
    if question is None:
        return "", ()
    names = {option.id: option.name for option in question.options}
    return names[question.priced], tuple(names.values())


def priced_part(quote: Quote, question: Question, scribe: Scribe) -> str:
    """Return the name of the part that is priced for a role, with its cylinder."""
    asked = (question.role, question.cylinder, question.priced)
    for need in quote.kit.needs:
        if (need.role, need.cylinder, need.part) == asked:
            return scribe.named(need)
    return scribe.thing(question.role, question.cylinder)
