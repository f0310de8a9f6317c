"""Page words: messages about the fields of a quote's page."""

from __future__ import annotations

from kitwright.documents.page_actions import PageField
from kitwright.language.scribe import Scribe


def wrong_told(field: PageField, code: str, scribe: Scribe) -> str:
    """Return what a field should contain; `code` is the error."""
    if field is PageField.who:
        return scribe.say("Please give your name, on one line.")
    if field is PageField.reason:
        return scribe.say("Please give your reason in one line, or leave this blank.")
    if code == "limit-below-amount":
        return scribe.say(
            "This is less than the quote's total. Enter a higher amount, or leave this blank to "
            "use our usual limit."
        )
    return scribe.say("Please enter an amount such as 250.00, or leave this blank.")
