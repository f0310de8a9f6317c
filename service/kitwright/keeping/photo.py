"""Photographs of a quote's findings and steps: added and dropped, each with an event."""

from __future__ import annotations

from typing import Final

from kitwright.keeping.acts import ActRefused
from kitwright.keeping.event import add_event
from kitwright.keeping.record import Disposal, DisposalKind, Photo, Stamp
from kitwright.keeping.store import Records

MOST_PHOTOS: Final = 100
"""How many photographs a quote may have."""


class TooManyPhotos(ActRefused):
    """A quote that has as many photographs as it may."""

    code = "too-many-photos"

    def __init__(self, quote: int) -> None:
        super().__init__(
            f"this quote has {MOST_PHOTOS} photographs, the most allowed: delete one first"
        )
        self.quote = quote


def check_room(records: Records, quote: int) -> None:
    """Raise TooManyPhotos if a quote already has the maximum number of photographs."""
    if len(records.photos.of_quote(quote)) >= MOST_PHOTOS:
        raise TooManyPhotos(quote)


def add_photo(records: Records, stamp: Stamp, photo: Photo) -> Photo:
    """Return a new photograph with its number. The quote itself does not change.

    Raises: TooManyPhotos.
    """
    check_room(records, photo.quote)
    kept = records.photos.add(photo)
    facts = {"quote": _quote_id(kept), "subject": kept.subject, "code": kept.code}
    add_event(records, stamp, "photo.added", f"photo:{kept.number}", facts)
    return kept


def drop_photo(records: Records, stamp: Stamp, photo: Photo) -> None:
    """Delete a photograph's record. Its file is to be deleted, unless another record needs it."""
    records.photos.drop(photo.number)
    records.disposals.add(Disposal(number=0, kind=DisposalKind.photo, name=photo.sha256))
    add_event(records, stamp, "photo.dropped", f"photo:{photo.number}", {"quote": _quote_id(photo)})


def _quote_id(photo: Photo) -> str:
    # as it goes over the wire: facts are sent unchanged
    return f"Q{photo.quote}"
