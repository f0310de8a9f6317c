"""What may turn up, arranged for reading."""

from __future__ import annotations

from msgspec import structs
from tests.documents.printed import full_quote

from kitwright.documents.contingency_view import contingencies_of
from kitwright.language.scribe import Scribe
from kitwright.quote import Quote


def told(*cylinders: int | None) -> list[str]:
    """Return how something that may turn up on some cylinders, None for any, is named."""
    quote: Quote = full_quote()
    found = quote.contingencies
    assert found is not None
    first = structs.replace(found.each[0], name="Warped head")
    each = tuple(structs.replace(first, cylinder=one) for one in cylinders)
    changed = structs.replace(quote, contingencies=structs.replace(found, each=each))
    return [one.name for one in contingencies_of(changed, Scribe("en"))]


def test_contingencies_of_names_what_is_the_same_on_two_cylinders_once() -> None:
    assert told(1, 2) == ["Warped head, cylinder 1 or 2"]


def test_contingencies_of_keeps_what_may_be_on_any_cylinder_apart() -> None:
    assert told(None, 2) == ["Warped head", "Warped head, cylinder 2"]
