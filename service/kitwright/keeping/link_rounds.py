"""Link rounds: all links of a quote are revoked together; each time, a new round of links begins.

The rounds are events of the quote, so whoever revoked the links, and when, is in its history.
"""

from __future__ import annotations

from kitwright.keeping.event import add_event
from kitwright.keeping.link import Link, LinkRevoked
from kitwright.keeping.mail import stop_mails
from kitwright.keeping.record import KeptQuote, Stamp
from kitwright.keeping.store import Records


def round_of(records: Records, quote: KeptQuote) -> int:
    """Return the round of the links that are made now: how often the links were revoked."""
    return sum(
        one.kind == "link.revoked" for one in records.events.of_subject(f"quote:{quote.number}")
    )


def revoke_links(records: Records, stamp: Stamp, quote: KeptQuote) -> int:
    """Revoke all links of a quote made so far, also in e-mails that are not sent yet; return the
    round that begins.
    """
    begun = round_of(records, quote) + 1
    add_event(records, stamp, "link.revoked", f"quote:{quote.number}", {"round": begun})
    stop_mails(records, stamp, quote)
    return begun


def check_round(records: Records, quote: KeptQuote, link: Link) -> None:
    """Raise if a link was revoked. Raises: LinkRevoked."""
    if link.round != round_of(records, quote):
        raise LinkRevoked(link)
