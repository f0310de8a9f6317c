"""Small pages for customers: a link that leads nowhere, and the thanks after an answer."""

from __future__ import annotations

from enum import StrEnum

from kitwright.documents.letterhead import Letterhead
from kitwright.documents.web_page import page
from kitwright.language.scribe import Scribe


class Notice(StrEnum):
    """What a small page says."""

    link_over = "link_over"
    link_unknown = "link_unknown"
    accepted = "accepted"
    declined = "declined"
    too_many = "too_many"
    unavailable = "unavailable"


def notice_page(
    notice: Notice, scribe: Scribe, *, shop: Letterhead, quote_url: str | None = None
) -> str:
    """Return a small HTML document without scripts, to be sent with `page_policy()`; `quote_url`
    leads back to the quote.
    """
    heading, text = _texts(scribe)[notice]
    return page(
        "notice.html",
        scribe,
        heading=heading,
        text=text,
        shop=shop,
        mail=shop.written_to(scribe.say("A question about a quote")),
        quote_url=quote_url,
    )


def _texts(scribe: Scribe) -> dict[Notice, tuple[str, str]]:
    """Return heading and text of every notice."""
    say = scribe.say
    return {
        Notice.link_over: (
            say("This link's time is over"),
            say("Links to a quote hold for a limited time. Ask us for a new one."),
        ),
        # One page for forged, changed and unknown links: it tells nobody which of them it was.
        Notice.link_unknown: (
            say("This link leads to no quote"),
            say(
                "Perhaps part of it got lost. Open it again from our message, or ask us for a "
                "new one."
            ),
        ),
        Notice.accepted: (
            say("Thank you: we go ahead"),
            say("Your yes is recorded with the quote. If anything is unclear, ask us."),
        ),
        Notice.declined: (
            say("Thank you for telling us"),
            say("Your no is recorded with the quote. If you change your mind, ask us."),
        ),
        Notice.too_many: (
            say("That was too quick for us"),
            say("Too many calls came at once. Wait a minute, then open the link again."),
        ),
        Notice.unavailable: (
            say("We can't show the quote right now"),
            say("Nothing is lost. Open the link again in a few minutes."),
        ),
    }
