"""Closing page: a finished or stopped visit as a page for its customer."""

from __future__ import annotations

from kitwright.catalogue.model import Shop
from kitwright.documents.closing_view import Closing, closing_view
from kitwright.documents.web_page import page
from kitwright.language.scribe import Scribe
from kitwright.quote import Envelope, Quote


def closing_page(
    quote: Quote,
    envelope: Envelope,
    closing: Closing,
    scribe: Scribe,
    *,
    shop: Shop,
    notice: str | None = None,
) -> str:
    """Return the account of a visit as an HTML document without scripts, to be sent with
    `page_policy()`.

    Args:
        quote: the revision that was agreed, or the last one if none was.
        envelope: whose it is, and for which machine.
        closing: its account.
        scribe: writes in the revision's language.
        shop: says where and when the machine is collected.
        notice: is shown at the top.
    """
    return page(
        "closing.html",
        scribe,
        quote=quote,
        envelope=envelope,
        shop=shop,
        closing=closing,
        notice=notice,
        view=closing_view(quote, closing, scribe, shop),
    )
