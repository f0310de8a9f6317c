"""Notice page: small pages for customers, such as the thanks for an answer, or an expired link."""

from __future__ import annotations

from enum import StrEnum

from kitwright.catalogue.model import Shop
from kitwright.documents.after_words import after_no
from kitwright.documents.page_actions import PageActions, PageState
from kitwright.documents.web_page import page
from kitwright.language.scribe import Scribe
from kitwright.quote import Envelope, Quote


class Notice(StrEnum):
    """The subject of a small page."""

    link_expired = "link_expired"
    link_unknown = "link_unknown"
    accepted = "accepted"
    declined = "declined"
    too_many = "too_many"
    unavailable = "unavailable"


def notice_page(
    notice: Notice,
    scribe: Scribe,
    *,
    shop: Shop,
    quote_url: str | None = None,
) -> str:
    """Return a small HTML document without scripts, to be sent with `page_policy()`. `quote_url` is
    the address of the quote, None if there is no link back.
    """
    heading, text = _texts(scribe)[notice]
    return page(
        "notice.html",
        scribe,
        heading=heading,
        text=text,
        more=(),
        shop=shop,
        quote_url=quote_url,
        newer_url=None,
    )


def ended_page(
    quote: Quote, envelope: Envelope, actions: PageActions, scribe: Scribe, *, shop: Shop
) -> str:
    """Return the page of an offer that no longer stands: why, and what follows."""
    say = scribe.say
    more: list[str] = []
    if actions.state is PageState.superseded:
        heading, text = say("A newer revision has replaced this one"), ""
    elif actions.state is PageState.withdrawn:
        heading = say("We have withdrawn this quote")
        text = say("Please ask us about the next step.")
    else:
        heading = say("This quote has expired")
        text = say(
            "If you still want the repair, ask us for a new quote. It may cost more or less."
        )
        if actions.valid_until is not None:
            until = scribe.day(actions.valid_until)
            text = f"{say('It was valid until {day}.', day=until)} {text}"
        more = list(after_no(quote, envelope, scribe, shop))
    return page(
        "notice.html",
        scribe,
        heading=heading,
        text=text,
        more=more,
        shop=shop,
        quote_url=None,
        newer_url=actions.newer_url,
    )


def _texts(scribe: Scribe) -> dict[Notice, tuple[str, str]]:
    """Return the heading and the text of every notice."""
    say = scribe.say
    return {
        Notice.link_expired: (
            say("This link has expired"),
            say("Links expire after a while. Please ask us for a new one."),
        ),
        # One page for forged, changed and unknown links: it does not say which of them it was.
        Notice.link_unknown: (
            say("We can't find a quote for this link"),
            say(
                "Part of it may be missing. Open it again from our message, or ask us for a new "
                "link."
            ),
        ),
        Notice.accepted: (
            say("Thank you. We will go ahead."),
            say("We have recorded your acceptance. If you have any questions, please ask us."),
        ),
        Notice.declined: (
            say("Thank you for telling us"),
            say("We have recorded that you declined. If you change your mind, please contact us."),
        ),
        Notice.too_many: (
            say("Too many requests"),
            say(
                "We had too many requests at once. Please wait a minute, then open the link again."
            ),
        ),
        Notice.unavailable: (
            say("We can't show the quote right now"),
            say("Nothing is lost. Please open the link again in a few minutes."),
        ),
    }
