"""Page words: messages about the fields of a quote's page."""

from __future__ import annotations

from kitwright.documents.page_actions import PageField
from kitwright.language.scribe import Scribe


def wrong_told(field: PageField, code: str, scribe: Scribe) -> str:
    """Return what a field should contain; `code` is the error."""
    if field is PageField.who:
        return scribe.say("Please give your name.")
    if field is PageField.reason:
        return scribe.say("Please give your reason in one line, or leave this blank.")
    if field is PageField.course:
        return scribe.say("Please choose one of the ways to repair it.")
    if field is PageField.amount:
        return scribe.say("Your choices changed the total: please look at it, and answer again.")
    if code == "extra-left-alone":
        return scribe.say(
            "This is worth doing only together with work that you left out: please leave out both, "
            "or neither."
        )
    if field in (PageField.keep, PageField.extra):
        return scribe.say("We cannot price these choices together here. Please ask us.")
    if code == "limit-below-amount":
        return scribe.say("Below the total: enter more, or nothing.")
    return scribe.say("Please enter an amount such as 250.00, or leave this blank.")


def set_off_told(scribe: Scribe) -> str:
    """Return why a quote can't be accepted whose diagnosis another one took off already."""
    return scribe.say(
        "The price of finding the fault is taken off another repair already, so this quote cannot "
        "be accepted as it is. Please ask us for a new one."
    )


def field_told(field: PageField, scribe: Scribe) -> str:
    """Return the name of a field, for the list of what is wrong."""
    return {
        PageField.who: scribe.say("Your name"),
        PageField.limit: scribe.say("Limit"),
        PageField.reason: scribe.say("Your reason"),
        PageField.amount: scribe.say("New total"),
        PageField.course: scribe.say("Which way"),
    }.get(field, scribe.say("Your choices"))
