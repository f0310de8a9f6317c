"""From afar: the right to withdraw from a contract that is made by a link, in answers and texts."""

from __future__ import annotations

from datetime import date, datetime
from hashlib import sha256
from typing import Annotated

from msgspec import Meta

from kitwright.catalogue.model import Contact
from kitwright.documents.withdrawal_words import wish_told, withdrawal_told, words_of_right
from kitwright.keeping.choosing import agreed_from
from kitwright.keeping.distance import distance_of, made_from_afar
from kitwright.keeping.life import revision_of
from kitwright.keeping.record import FromAfar, KeptQuote, Revision, Stamp
from kitwright.keeping.store import Records
from kitwright.language.scribe import Scribe
from kitwright.quote import read_quote
from kitwright.stages.request import RequestFault, RequestRefused
from kitwright.web.calls.desk import Desk
from kitwright.web.calls.ids import Sha256
from kitwright.web.calls.shown import Out
from kitwright.web.calls.standing import paper_of
from kitwright.web.calls.ticking import Choice


class WithdrawalOut(Out, frozen=True, kw_only=True):
    """The right to withdraw from a contract that is made by the link: for `days` after it, and once
    it is made, until the end of the day `until`. `notice` and `form` are what the law asks to be
    told; `sha256` is of their paragraphs and rows, joined by line feeds, in UTF-8, and is kept with
    an acceptance. With `start_early`, the text of the acceptance ends with `wish`.
    """

    days: Annotated[int, Meta(ge=1, le=365)]
    until: date | None
    starts_early: bool
    withdrawn_at: datetime | None
    notice: tuple[str, ...]
    form: tuple[str, ...]
    sha256: Sha256
    wish: str


class NothingToWaitFor(RequestFault):
    """The wish of an early start, where the work need not wait."""

    code = "nothing-to-wait-for"

    def __init__(self) -> None:
        super().__init__("there is no right to withdraw that the work would wait for")


def told_right(
    records: Records, desk: Desk, quote: KeptQuote, revision: Revision
) -> WithdrawalOut | None:
    """Return the right to withdraw from a revision, None if there is none."""
    paper = paper_of(records, quote, revision.number, desk.overrun)
    right, shop = paper.envelope.withdrawal, desk.service.workshop.shop
    contact, scribe = shop.contact or Contact(), Scribe(paper.quote.language)
    told = withdrawal_told(paper.envelope, paper.quote.shop, contact, scribe)
    if right is None or told is None:
        return None
    return WithdrawalOut(
        days=right.days,
        until=right.until,
        starts_early=right.starts_early,
        withdrawn_at=right.withdrawn_at,
        notice=told.notice,
        form=told.form,
        sha256=sha256("\n".join((*told.notice, *told.form)).encode()).hexdigest(),
        wish=told.wish,
    )


def words_of_wish(records: Records, quote: KeptQuote) -> str:
    """Return the words by which a customer asks for an early start, in a quote's language."""
    shown = read_quote(revision_of(records, quote, quote.shown).answer)
    return wish_told(Scribe(shown.language))


def right_of_yes(
    records: Records,
    desk: Desk,
    stamp: Stamp,
    quote: KeptQuote,
    one: Choice,
    *,
    starts_early: bool,
) -> tuple[FromAfar | None, str]:
    """Return what a yes means for the right to withdraw, and what its text says of that.

    Raises: RequestRefused, for the wish of an early start if there is no such right.
    """
    rules = distance_of(records, one.offer)
    shown = None if rules is None else told_right(records, desk, quote, one.offer)
    made = made_from_afar(
        records,
        quote,
        rules,
        stamp.today,
        starts_early=starts_early,
        notice_sha256=None if shown is None else shown.sha256,
    )
    is_repeated = agreed_from(records, quote, one.offer.number) is not None
    if quote.agreed is not None and not is_repeated:
        return made, ""
    if made is None:
        if starts_early:
            raise RequestRefused([NothingToWaitFor().at("start_early")])
        return None, ""
    told = words_of_right(made.days, Scribe(one.quote.language), starts_early=starts_early)
    return made, f" {told}"
