"""Photographs of a quote's findings and steps: added and dropped, each with an event."""

from __future__ import annotations

from typing import Final

from kitwright.keeping.acts import ActRefused
from kitwright.keeping.event import add_event
from kitwright.keeping.record import Disposal, DisposalKind, Photo, Stamp
from kitwright.keeping.store import Records

MOST_PHOTOS: Final = 100
"""How many photographs a quote or a ticket may have."""


class TooManyPhotos(ActRefused):
    """A quote or a ticket that has as many photographs as it may."""

    code = "too-many-photos"

    def __init__(self, record: str) -> None:
        super().__init__(
            f"{record} has {MOST_PHOTOS} photographs, the most allowed: delete one first"
        )
        self.record = record


def check_room(records: Records, quote: int) -> None:
    """Raise TooManyPhotos if a quote already has the maximum number of photographs."""
    if len(records.photos.of_quote(quote)) >= MOST_PHOTOS:
        raise TooManyPhotos(f"quote Q{quote}")


def check_room_of_ticket(records: Records, ticket: int) -> None:
    """Raise TooManyPhotos if a ticket already has the maximum number of photographs."""
    if len(records.photos.of_ticket(ticket)) >= MOST_PHOTOS:
        raise TooManyPhotos(f"ticket T{ticket}")


def add_photo(records: Records, stamp: Stamp, photo: Photo) -> Photo:
    """Return a new photograph with its number. The quote itself does not change.

    Raises: TooManyPhotos.
    """
    if photo.quote is not None:
        check_room(records, photo.quote)
    if photo.ticket is not None:
        check_room_of_ticket(records, photo.ticket)
    kept = records.photos.add(photo)
    facts = {**_whose(kept), "subject": kept.subject, "code": kept.code}
    add_event(records, stamp, "photo.added", f"photo:{kept.number}", facts)
    return kept


def drop_photo(records: Records, stamp: Stamp, photo: Photo) -> None:
    """Delete a photograph's record. Its file is to be deleted, unless another record needs it."""
    records.photos.drop(photo.number)
    records.disposals.add(Disposal(number=0, kind=DisposalKind.photo, name=photo.sha256))
    add_event(records, stamp, "photo.dropped", f"photo:{photo.number}", _whose(photo))


def _whose(photo: Photo) -> dict[str, str]:
    # as they go over the wire: facts are sent unchanged
    if photo.quote is not None:
        return {"quote": f"Q{photo.quote}"}
    return {"ticket": f"T{photo.ticket}"}
