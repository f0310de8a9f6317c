"""Photos: calls that add, read and delete photographs of a quote's findings and steps."""

from __future__ import annotations

import asyncio
import errno
import logging
from collections import Counter
from collections.abc import Collection
from datetime import datetime
from hashlib import sha256
from typing import Annotated, Final

from msgspec import Meta

from kitwright.keeping.key import Scope
from kitwright.keeping.life import revision_of
from kitwright.keeping.people import AlreadyErased
from kitwright.keeping.photo import add_photo, check_room, drop_photo
from kitwright.keeping.record import KeptQuote, Photo
from kitwright.keeping.store import Records, StoreError, StoreFull, StoreUnavailable
from kitwright.quote import OnCylinder
from kitwright.web.calls.call import MOST_PHOTO, Call, Work
from kitwright.web.calls.consent_wire import Sha256
from kitwright.web.calls.declared import operation
from kitwright.web.calls.desk import Desk, tag
from kitwright.web.calls.ids import NOUNS, PHOTO, QUOTE, PhotoId, QuoteId, written
from kitwright.web.calls.out import Out
from kitwright.web.calls.photo_subject import PhotoQuery, check_subject
from kitwright.web.calls.quotes import quote_of
from kitwright.web.calls.records import ListOut
from kitwright.web.calls.shaped import shaped
from kitwright.web.edge.negotiate import media_type
from kitwright.web.edge.problems import Refusal
from kitwright.web.edge.reply import Reply

_LOG = logging.getLogger(__name__)
MEDIA: Final = ("image/jpeg", "image/png", "image/webp")
"""The media types of photographs."""
_NO_ROOM: Final = frozenset({errno.ENOSPC, errno.EDQUOT, errno.EFBIG})


class PhotoOut(Out, frozen=True, kw_only=True):
    """A photograph: its subject, and the path of its file."""

    id: PhotoId
    quote: QuoteId
    subject: Annotated[str, Meta(pattern="^(finding|step)$")]
    code: str
    cylinder: OnCylinder | None
    media_type: Annotated[str, Meta(pattern="^image/(jpeg|png|webp)$")]
    size: Annotated[int, Meta(ge=1, le=MOST_PHOTO, description="Bytes.")]
    sha256: Sha256
    path: str
    made_at: datetime


@operation(
    "POST /v1/quotes/{id}/photos",
    "addPhoto",
    "photos",
    media=MEDIA,
    scope=Scope.QUOTE,
    is_once=True,
    is_tagged=True,
    status=201,
    problems=("act-refused",),
)
async def add(call: Call, query: PhotoQuery) -> Work[PhotoOut]:
    """Add a photo to a quote.

    The body is the image itself, JPEG, PNG or WebP of at most 10 MiB, with its media type in
    `Content-Type`. The quote does not change. It can have at most 100 photos.
    """
    desk, stamp = call.desk, call.stamp
    number = call.number("id", QUOTE)
    catalogue = desk.service.workshop.catalogue

    def check(records: Records) -> None:
        # before the file is stored
        quote = quote_of(records, number)
        _check_customer(records, quote)
        check_room(records, number)
        check_subject(records, catalogue, quote, query)

    desk.store.read(check)
    said = _said(call)
    # off the event loop: ten mebibytes of filler take most of a second
    found, digest = await asyncio.to_thread(_looked_at, desk, call.raw)
    photo = shaped(
        Photo,
        query,
        number=0,
        quote=number,
        sha256=digest,
        media_type=_checked_kind(said, found),
        size=len(call.raw),
        made_at=stamp.at,
    )
    added: list[Photo] = []
    desk.arriving[photo.sha256] += 1
    call.at_end.append(lambda: _arrived(desk, photo.sha256, is_needed=bool(added)))
    await asyncio.to_thread(_keep_file, desk, call.raw)

    def work(records: Records) -> Reply[PhotoOut]:
        _check_customer(records, quote_of(records, number))
        kept = add_photo(records, stamp, photo)
        added.append(kept)
        out = photo_out(kept)
        return call.made(out, f"/v1/photos/{out.id}", tag=_tag(kept))

    return work


def _check_customer(records: Records, quote: KeptQuote) -> None:
    """Raise AlreadyErased if a quote's customer has been erased."""
    # photographs belong to the newest revision at the time
    whom = revision_of(records, quote, quote.latest).customer
    customer = None if whom is None else records.customers.get(whom)
    if customer is not None and customer.erased_at is not None:
        raise AlreadyErased(customer.number)


def _said(call: Call) -> str:
    """Return the media type that a call declares for its body.

    Raises: Refusal: body-invalid, wrong-media-type.
    """
    said, _ = media_type(call.media)
    if said not in MEDIA or call.is_coded:
        raise _wrong_media(
            f"the body should be one of {', '.join(MEDIA)}, without Content-Encoding"
        )
    if not call.raw:
        raise Refusal("body-invalid", "the body is empty: send the image itself")
    return said


def _looked_at(desk: Desk, data: bytes) -> tuple[str | None, str]:
    """Return an image's media type, None if it is not an image, and its SHA-256 in hex."""
    return desk.kind_of(data), sha256(data).hexdigest()


def _checked_kind(said: str, found: str | None) -> str:
    """Return the media type of a body, which must be the declared one.

    Raises: Refusal: wrong-media-type.
    """
    if found not in MEDIA:
        raise _wrong_media(
            f"the body says that it is {said}, but it is not a valid JPEG, PNG or WebP"
        )
    if found != said:
        raise _wrong_media(f"the body says that it is {said}, but is {found}")
    return found


def _wrong_media(detail: str) -> Refusal:
    headers = {"Accept": ", ".join(MEDIA), "Accept-Encoding": "identity"}
    return Refusal("wrong-media-type", detail, headers=headers)


def _keep_file(desk: Desk, data: bytes) -> None:
    """Store a file permanently. Raises: StoreFull, StoreUnavailable."""
    try:
        # one at a time: two files of the same content would interfere
        with desk.file_lock:
            desk.files.put(data)
    except OSError as error:
        failure = StoreFull if error.errno in _NO_ROOM else StoreUnavailable
        raise failure(f"the photo can't be stored: {error}") from error


def _arrived(desk: Desk, name: str, *, is_needed: bool) -> None:
    """Remove a file from those in progress, and delete it if its call was refused."""
    desk.arriving -= Counter((name,))
    if not is_needed:
        drop_unneeded(desk, (name,))


def drop_unneeded(desk: Desk, names: Collection[str]) -> None:
    """Delete the files that no photograph needs and no call in progress will need.

    A file that can't be deleted stays; `kitwright doctor` finds it.
    """
    if not names:
        return
    try:
        needed = desk.store.read(lambda records: records.photos.hashes())
        for name in names:
            if name not in needed and name not in desk.arriving:
                desk.files.drop(name)
    except (OSError, StoreError) as error:
        _LOG.warning("a photo's file was not deleted: %s", error)


@operation("GET /v1/quotes/{id}/photos", "listPhotos", "photos")
def listed(records: Records, call: Call) -> Reply[ListOut[PhotoOut]]:
    """List a quote's photos.

    The data of each photo, oldest first, with the path of its file.
    """
    quote = call.record(QUOTE, records.quotes.get)
    found = records.photos.of_quote(quote.number)
    return Reply(body=ListOut(items=tuple(map(photo_out, found))))


@operation("GET /v1/photos/{id}", "getPhoto", "photos", is_tagged=True)
def get(records: Records, call: Call) -> Reply[PhotoOut]:
    """Get a photo's data.

    The data of a photo, with the path of its file.
    """
    photo = call.record(PHOTO, records.photos.get)
    return Reply(body=photo_out(photo), tag=_tag(photo))


@operation("GET /v1/photos/{id}/file", "getPhotoFile", "photos", forms=MEDIA, is_tagged=True)
def file(records: Records, call: Call) -> Reply[bytes]:
    """Get a photo's file.

    The image, byte for byte as sent.
    """
    photo = call.record(PHOTO, records.photos.get)
    call.check_form(photo.media_type)
    data = call.desk.files.get(photo.sha256)
    if data is None:
        raise StoreUnavailable(f"the file of photo {photo.number} is missing")
    return Reply(
        body=data,
        # as long as all other tags of this service
        tag=f'"{photo.sha256[:32]}"',
        form=photo.media_type,
        headers={"Content-Disposition": "inline"},
    )


@operation("DELETE /v1/photos/{id}", "dropPhoto", "photos", scope=Scope.QUOTE)
def drop(records: Records, call: Call) -> Reply[PhotoOut]:
    """Delete a photo.

    Deletes a photo, and its file if no other photo uses the same file.
    """
    photo = call.record(PHOTO, records.photos.get)
    drop_photo(records, call.stamp, photo)
    call.at_end.append(lambda: drop_unneeded(call.desk, (photo.sha256,)))
    return Reply(body=photo_out(photo))


def photo_out(photo: Photo) -> PhotoOut:
    """Return a photograph's wire struct."""
    name = written(PHOTO, photo.number)
    quote = written(QUOTE, photo.quote)
    return shaped(PhotoOut, photo, id=name, quote=quote, path=f"/v1/photos/{name}/file")


def _tag(photo: Photo) -> str:
    # a photograph never changes
    return tag(NOUNS[PHOTO], photo.number, 1)
