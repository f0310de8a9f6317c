"""Choosing: what a customer chose of an offer is a revision of its own, agreed as it is kept."""

from __future__ import annotations

import hashlib

from msgspec import structs

from kitwright.keeping.life import Chosen, chosen_of, revision_of
from kitwright.keeping.record import KeptQuote, Revision, RevisionState
from kitwright.keeping.store import Records
from kitwright.quote import for_customer


def agreed_from(records: Records, quote: KeptQuote, revision: int) -> Revision | None:
    """Return the agreed revision if it is a given one or was chosen from it, else None."""
    if quote.agreed is None:
        return None
    agreed = revision_of(records, quote, quote.agreed)
    chosen = chosen_of(agreed)
    is_from = chosen is not None and chosen.revision == revision
    return agreed if is_from or agreed.number == revision else None


def withdrawn_from(records: Records, quote: KeptQuote, revision: int) -> Revision | None:
    """Return the last revision that was agreed and is no longer, if it was chosen from a given one,
    else None.
    """
    given = records.authorisations.of_quote(quote.number)
    if quote.agreed is not None or not given:
        return None
    last = revision_of(records, quote, given[-1].revision)
    chosen = chosen_of(last)
    return last if chosen is not None and chosen.revision == revision else None


def differing_choices(agreed: Revision, choice: Revision | None) -> tuple[str, ...]:
    """Return the members in which a choice differs from the one that is agreed."""
    none = Chosen(revision=0)
    before = chosen_of(agreed) or none
    now = none if choice is None else chosen_of(choice) or none
    members = ("course", "leave_out", "extras")
    return tuple(name for name in members if getattr(before, name) != getattr(now, name))


def as_chosen(offer: Revision, choice: Revision) -> Revision:
    """Return a choice of an offer as a revision of the same quote, issued with the offer."""
    shown = for_customer(choice.answer)
    return structs.replace(
        choice,
        quote=offer.quote,
        customer=offer.customer,
        machine=offer.machine,
        made_at=offer.made_at,
        issued_at=offer.issued_at,
        valid_until=offer.valid_until,
        shown=shown,
        sha256=hashlib.sha256(shown).hexdigest(),
    )


def keep_choice(records: Records, quote: KeptQuote, chosen: Revision) -> tuple[KeptQuote, int]:
    """Return the quote with a choice of the revision on offer, and the number that this has. The
    offered revision is superseded by it.

    A draft that was begun meanwhile moves one number up: what is agreed was made before it.
    """
    assert quote.offered is not None
    newest = revision_of(records, quote, quote.latest)
    fresh = structs.replace(chosen, state=RevisionState.issued)
    records.revisions.mark(quote.number, quote.offered, RevisionState.superseded)
    if newest.state is not RevisionState.draft:
        number = quote.latest + 1
        records.revisions.add(structs.replace(fresh, number=number))
    else:
        number = quote.latest
        records.revisions.put(structs.replace(fresh, number=number))
        records.revisions.add(structs.replace(newest, number=number + 1))
    latest = quote.latest + 1
    return structs.replace(quote, latest=latest, offered=number), number
