"""Photos: photographs of a quote's findings and steps, added, looked at and dropped."""

from __future__ import annotations

import asyncio
import errno
import logging
from collections import Counter
from collections.abc import Collection, Iterator
from datetime import datetime
from hashlib import sha256
from typing import Annotated, Final

import msgspec
from litestar.handlers import HTTPRouteHandler
from msgspec import Meta

from kitwright.keeping.key import Scope
from kitwright.keeping.life import revision_of
from kitwright.keeping.people import AlreadyErased
from kitwright.keeping.photo import MOST_PHOTOS, add_photo, check_room, drop_photo
from kitwright.keeping.record import KeptQuote, Photo
from kitwright.keeping.store import Records, StoreError, StoreFull, StoreUnavailable
from kitwright.quote import OnCylinder
from kitwright.web.calls.desk import Desk, tag
from kitwright.web.calls.handlers import MOST_PHOTO, Call, Reply, Work, acting, reading
from kitwright.web.calls.ids import PHOTO, QUOTE, PhotoId, QuoteId, missing, written
from kitwright.web.calls.operations import Operation
from kitwright.web.calls.out import Out
from kitwright.web.calls.photo_subject import PhotoQuery, check_subject
from kitwright.web.calls.quote_wire import Sha256
from kitwright.web.calls.quotes import quote_of
from kitwright.web.calls.records import ListOut
from kitwright.web.calls.refusals import ONCE_PROBLEMS, STORE_PROBLEMS
from kitwright.web.edge.negotiate import media_type
from kitwright.web.edge.problems import Refusal

_LOG = logging.getLogger(__name__)
MEDIA: Final = ("image/jpeg", "image/png", "image/webp")
"""What a photograph may be."""
_OF_QUOTE: Final = {"id": "Which quote, by its id."}
_ID: Final = {"id": "Which photo, by its id."}
_NO_ROOM: Final = frozenset({errno.ENOSPC, errno.EDQUOT, errno.EFBIG})


class PhotoOut(Out, frozen=True, kw_only=True):
    """A photograph: what it shows, and the path of its file."""

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


ADD: Final = Operation(
    method="post",
    path="/v1/quotes/{id}/photos",
    id="addPhoto",
    tag="photos",
    summary="Add a photo to a quote",
    description=(
        "Takes the image itself as the body, as it is: JPEG, PNG or WebP of at most 10 MiB, and "
        f"says so in Content-Type. The quote does not change. It may have {MOST_PHOTOS} photos."
    ),
    media=MEDIA,
    answers=PhotoOut,
    status=201,
    query=PhotoQuery,
    problems=(
        "body-invalid",
        "query-invalid",
        "not-acceptable",
        "body-too-large",
        "wrong-media-type",
        *ONCE_PROBLEMS,
        "unknown-record",
        "act-refused",
    ),
    variables=_OF_QUOTE,
    scope=Scope.QUOTE,
    is_once=True,
    is_tagged=True,
)
LIST: Final = Operation(
    method="get",
    path="/v1/quotes/{id}/photos",
    id="listPhotos",
    tag="photos",
    summary="All photos of a quote",
    description="What is known of each photo, oldest first, with the path of its file.",
    answers=ListOut[PhotoOut],
    problems=("unknown-record", "not-acceptable", "storage-unavailable"),
    variables=_OF_QUOTE,
)
GET: Final = Operation(
    method="get",
    path="/v1/photos/{id}",
    id="getPhoto",
    tag="photos",
    summary="One photo, without its file",
    description="What is known of a photo, with the path of its file.",
    answers=PhotoOut,
    problems=("unknown-record", "not-acceptable", "storage-unavailable"),
    variables=_ID,
    is_conditional=True,
    is_tagged=True,
)
FILE: Final = Operation(
    method="get",
    path="/v1/photos/{id}/file",
    id="getPhotoFile",
    tag="photos",
    summary="A photo's file",
    description="The image, byte for byte as it was sent.",
    answers=None,
    forms=MEDIA,
    problems=("unknown-record", "not-acceptable", "storage-unavailable"),
    variables=_ID,
    is_conditional=True,
    is_tagged=True,
)
DROP: Final = Operation(
    method="delete",
    path="/v1/photos/{id}",
    id="dropPhoto",
    tag="photos",
    summary="Drop a photo",
    description="Forgets a photo, and its file where no other photo is the same.",
    answers=PhotoOut,
    problems=(
        "body-invalid",
        "not-acceptable",
        "body-too-large",
        "unknown-record",
        *STORE_PROBLEMS,
    ),
    variables=_ID,
    scope=Scope.QUOTE,
)
OPERATIONS: Final = (ADD, LIST, GET, FILE, DROP)


def make_handlers(desk: Desk) -> Iterator[HTTPRouteHandler]:
    """Yield the handlers of this module's operations."""
    yield acting(desk, ADD, _add)
    yield reading(LIST, desk, _list)
    yield reading(GET, desk, _get)
    yield reading(FILE, desk, _file)
    yield acting(desk, DROP, _drop)


async def _add(call: Call) -> Work:
    desk, stamp, asked = call.desk, call.stamp, call.query(PhotoQuery)
    number = call.number("id", QUOTE)
    catalogue = desk.service.workshop.catalogue

    def check(records: Records) -> None:
        # before the file is kept
        quote = quote_of(records, number)
        _check_customer(records, quote)
        check_room(records, number)
        check_subject(records, catalogue, quote, asked)

    desk.store.read(check)
    said = _said(call)
    # off the event loop: ten mebibytes of filler hold it for most of a second
    found, digest = await asyncio.to_thread(_looked_at, desk, call.raw)
    kind = _checked_kind(said, found)
    photo = Photo(
        number=0,
        quote=number,
        sha256=digest,
        media_type=kind,
        size=len(call.raw),
        subject=asked.subject,
        code=asked.code,
        cylinder=asked.cylinder,
        made_at=stamp.at,
    )
    added: list[Photo] = []
    desk.arriving[photo.sha256] += 1
    call.at_end.append(lambda: _arrived(desk, photo.sha256, is_needed=bool(added)))
    await asyncio.to_thread(_keep_file, desk, call.raw)

    def work(records: Records) -> Reply:
        _check_customer(records, quote_of(records, number))
        kept = add_photo(records, stamp, photo)
        added.append(kept)
        path = f"/v1/photos/{written(PHOTO, kept.number)}"
        return msgspec.structs.replace(_reply(kept), status=201, headers={"Location": path})

    return work


def _check_customer(records: Records, quote: KeptQuote) -> None:
    """Raise AlreadyErased where a quote is of a customer who wanted to be forgotten."""
    # photographs go with the revision that is the newest while they are taken
    whom = revision_of(records, quote, quote.latest).customer
    customer = None if whom is None else records.people.customer(whom)
    if customer is not None and customer.erased_at is not None:
        raise AlreadyErased(customer.number)


def _said(call: Call) -> str:
    """Return the media type that a call says its body is of.

    Raises: Refusal: body-invalid, wrong-media-type.
    """
    said, _ = media_type(call.media)
    if said not in MEDIA or call.is_coded:
        raise _wrong_media(
            f"the body should be one of {', '.join(MEDIA)}, without a content coding"
        )
    if not call.raw:
        raise Refusal("body-invalid", "the body is empty: send the image itself")
    return said


def _looked_at(desk: Desk, data: bytes) -> tuple[str | None, str]:
    """Return a picture's media type, None for what is none, and its SHA-256 in hex."""
    return desk.kind_of(data), sha256(data).hexdigest()


def _checked_kind(said: str, found: str | None) -> str:
    """Return the media type of a body, which is what the call said.

    Raises: Refusal: wrong-media-type.
    """
    if found not in MEDIA:
        raise _wrong_media(f"the body says that it is {said}, but is no sound JPEG, PNG or WebP")
    if found != said:
        raise _wrong_media(f"the body says that it is {said}, but is {found}")
    return found


def _wrong_media(detail: str) -> Refusal:
    headers = {"Accept": ", ".join(MEDIA), "Accept-Encoding": "identity"}
    return Refusal("wrong-media-type", detail, headers=headers)


def _keep_file(desk: Desk, data: bytes) -> None:
    """Keep a file for good. Raises: StoreFull, StoreUnavailable."""
    try:
        # one at a time: two of the same content would meet half-way
        with desk.file_lock:
            desk.files.put(data)
    except OSError as error:
        failure = StoreFull if error.errno in _NO_ROOM else StoreUnavailable
        raise failure(f"the photo can't be kept: {error}") from error


def _arrived(desk: Desk, name: str, *, is_needed: bool) -> None:
    """Take a file off those that are arriving; what was refused after all is dropped."""
    desk.arriving -= Counter((name,))
    if not is_needed:
        drop_unneeded(desk, (name,))


def drop_unneeded(desk: Desk, names: Collection[str]) -> None:
    """Drop those files that no photograph needs, and none that is arriving will need.

    A file that can't be dropped stays: `kitwright doctor` finds it.
    """
    if not names:
        return
    try:
        needed = desk.store.read(lambda records: records.photos.hashes())
        for name in names:
            if name not in needed and name not in desk.arriving:
                desk.files.drop(name)
    except (OSError, StoreError) as error:
        _LOG.warning("a photo's file was not dropped: %s", error)


def _list(records: Records, call: Call) -> Reply:
    quote = quote_of(records, call.number("id", QUOTE))
    found = tuple(map(photo_out, records.photos.of_quote(quote.number)))
    return Reply(body=msgspec.json.encode(ListOut(items=found)))


def _get(records: Records, call: Call) -> Reply:
    return _reply(_photo_of(records, call))


def _file(records: Records, call: Call) -> Reply:
    photo = _photo_of(records, call)
    call.check_form(photo.media_type)
    data = call.desk.files.get(photo.sha256)
    if data is None:
        raise StoreUnavailable(f"the file of photo {photo.number} is missing")
    return Reply(
        body=data,
        # as long as every other tag of this service
        tag=f'"{photo.sha256[:32]}"',
        form=photo.media_type,
        headers={"Content-Disposition": "inline"},
    )


async def _drop(call: Call) -> Work:
    stamp = call.stamp

    def work(records: Records) -> Reply:
        photo = _photo_of(records, call)
        drop_photo(records, stamp, photo)
        call.at_end.append(lambda: drop_unneeded(call.desk, (photo.sha256,)))
        return Reply(body=msgspec.json.encode(photo_out(photo)))

    return work


def _photo_of(records: Records, call: Call) -> Photo:
    number = call.number("id", PHOTO)
    photo = records.photos.get(number)
    if photo is None:
        raise missing(PHOTO, written(PHOTO, number))
    return photo


def photo_out(photo: Photo) -> PhotoOut:
    """Return what is known of a photograph."""
    name = written(PHOTO, photo.number)
    return PhotoOut(
        id=name,
        quote=written(QUOTE, photo.quote),
        subject=photo.subject,
        code=photo.code,
        cylinder=photo.cylinder,
        media_type=photo.media_type,
        size=photo.size,
        sha256=photo.sha256,
        path=f"/v1/photos/{name}/file",
        made_at=photo.made_at,
    )


def _reply(photo: Photo) -> Reply:
    # a photograph never changes
    return Reply(body=msgspec.json.encode(photo_out(photo)), tag=tag("photo", photo.number, 1))
