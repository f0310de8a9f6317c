"""Slip mail: the letter that tells a customer that parts of the repair come later than planned."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import date
from email.message import EmailMessage
from email.policy import SMTP

from msgspec import Struct

from kitwright.documents.mail_head import MOST_SUBJECT, Head, complete, cut, note_lines, one_line
from kitwright.language.scribe import Scribe
from kitwright.quote import Paper


class SlipNews(Struct, frozen=True, kw_only=True):
    """Until when all parts were to be there, and now should be; None for a day that nobody knows.
    `sooner` is the day by which they could be there from another source, if the customer may choose
    that.
    """

    was: date | None
    now: date | None
    sooner: date | None = None


def slip_subject(paper: Paper, scribe: Scribe) -> str:
    """Return the subject of the letter. Raises: TextInvalid."""
    shop = one_line("the shop's name", paper.quote.shop.name)
    told = scribe.say(
        "Your repair {quote} at {shop}: parts come later",
        quote=paper.envelope.quote_id,
        shop=shop,
    )
    return cut(told, MOST_SUBJECT)


def slip_text(paper: Paper, scribe: Scribe, news: SlipNews, note: str | None) -> str:
    """Return the letter as plain text, paragraphs with an empty line between. `note` is the shop's
    own text.

    Raises: TextInvalid.
    """
    paragraphs = _paragraphs(paper, scribe, news, note)
    return "\n\n".join("\n".join(lines) for lines in paragraphs)


def compose_slip(paper: Paper, scribe: Scribe, news: SlipNews, head: Head) -> bytes:
    """Return the letter as an e-mail with its headers. Raises: AddressInvalid, TextInvalid."""
    content = EmailMessage(SMTP)
    text = slip_text(paper, scribe, news, head.note)
    content.set_content(f"{text}\n", cte="quoted-printable")
    name = paper.quote.shop.name
    return complete(head, name, scribe.language, slip_subject(paper, scribe), content)


def _paragraphs(
    paper: Paper, scribe: Scribe, news: SlipNews, note: str | None
) -> Iterator[tuple[str, ...]]:
    say, envelope = scribe.say, paper.envelope
    if envelope.customer_name:
        name = one_line("the customer's name", envelope.customer_name)
        yield (say("Dear {customer},", customer=name),)
    yield (say("A supplier has told us that parts for your repair come later than planned."),)
    yield (*_days(scribe, news), say("The price that we agreed does not change."))
    if news.sooner is not None:
        yield (
            say(
                "From another source they could be here by {day}, in at least the same quality and "
                "at the same price. Please tell us if you want that.",
                day=scribe.day(news.sooner),
            ),
        )
    if note is not None:
        yield note_lines(note)
    yield (say("We are sorry for the delay."), one_line("the shop's name", paper.quote.shop.name))


def _days(scribe: Scribe, news: SlipNews) -> Iterator[str]:
    say = scribe.say
    if news.was is not None:
        yield say("All parts were to be here by {day}.", day=scribe.day(news.was))
    if news.now is None:
        yield say("The new day is not known yet: we will tell you as soon as it is.")
    else:
        yield say("Now they should be here by {day}.", day=scribe.day(news.now))
