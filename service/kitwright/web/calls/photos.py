"""Photos: calls that add, read and delete photographs of a quote's findings and steps."""

from __future__ import annotations

import errno
import logging
from collections import Counter
from collections.abc import Callable, Collection, Iterator
from difflib import get_close_matches
from hashlib import sha256
from typing import Annotated, Final, Literal, NamedTuple

from msgspec import Meta, structs

from kitwright.catalogue.model import Catalogue, Family, FamilyId
from kitwright.keeping.life import revision_of
from kitwright.keeping.people import AlreadyErased
from kitwright.keeping.photo import add_photo, check_room, drop_photo
from kitwright.keeping.record import KeptQuote, Photo
from kitwright.keeping.store import Records, StoreError, StoreFull, StoreUnavailable
from kitwright.web.calls.call import Call, answer
from kitwright.web.calls.desk import Desk
from kitwright.web.calls.handlers import Work, operation
from kitwright.web.calls.ids import PHOTO, QUOTE
from kitwright.web.calls.pictures import THUMBNAIL_MEDIA, reprinted, thumbnail_of
from kitwright.web.calls.reckoning import asked_of
from kitwright.web.calls.shown import MOST_PHOTO, ListOut
from kitwright.web.edge.negotiate import best_form, media_type
from kitwright.web.edge.problems import Refusal
from kitwright.web.edge.reply import Reply, has_it
from kitwright.web.edge.shapes import Cylinder, Id, Wire

_LOG = logging.getLogger(__name__)
MEDIA: Final = ("image/jpeg", "image/png", "image/webp")
"""The media types of photographs."""
_BYTES: Final = "application/octet-stream"
SENT_AS: Final = (*MEDIA, _BYTES)
"""The media types of a body with a photograph; that of bytes follows from its content."""
_NO_ROOM: Final = frozenset({errno.ENOSPC, errno.EDQUOT, errno.EFBIG})


class PhotoQuery(Wire, frozen=True, kw_only=True):
    """What a photograph shows: a finding or reading (`finding`), or a component that is removed
    (`step`), by its id in the catalogue, with its cylinder if it belongs to one.
    """

    subject: Annotated[
        Literal["finding", "step"],
        Meta(
            description="The id of the finding, reading or component that it shows.",
            examples=["finding"],
        ),
    ]
    code: Annotated[Id, Meta(examples=["plug_oil"])]
    cylinder: Cylinder | None = None


@operation(
    "POST /v1/quotes/{id}/photos",
    "addPhoto",
    "photos",
    "act-refused",
    "too-busy",
    media=SENT_AS,
    is_tagged=True,
    status=201,
)
async def add(call: Call, query: PhotoQuery) -> Work[Photo]:
    """Add a photo to a quote.

    The body is the image itself, JPEG, PNG or WebP of at most 10 MiB, with its media type or
    `application/octet-stream` in `Content-Type`, of at most 50 million points and one frame. It is
    stored upright, without EXIF, place or other metadata: `sha256` and `size` are of the stored
    file. The quote does not change. It can have at most 100 photos.
    """
    desk, stamp = call.desk, call.stamp
    catalogue = desk.service.workshop.catalogue

    def checked(records: Records) -> KeptQuote:
        # before the file is stored
        quote = call.record(QUOTE, records.quotes.get)
        _check_customer(records, quote)
        check_room(records, quote.number)
        _check_subject(records, catalogue, quote, query)
        return quote

    quote = desk.store.read(checked)
    taken = await take_picture(call)
    photo = Photo(
        **structs.asdict(query),
        number=0,
        quote=quote.number,
        sha256=taken.sha256,
        media_type=taken.media_type,
        size=len(taken.data),
        made_at=stamp.at,
    )

    def keep(records: Records) -> Photo:
        _check_customer(records, call.record(QUOTE, records.quotes.get))
        return add_photo(records, stamp, photo)

    return await keep_picture(call, taken, keep)


class Taken(NamedTuple):
    """A photograph without its metadata, and the SHA-256 of that in hex."""

    data: bytes
    sha256: str
    media_type: str


async def take_picture(call: Call) -> Taken:
    """Return the photograph in a call's body.

    Raises: Refusal: body-invalid, body-too-large, wrong-media-type, too-busy.
    """
    said = _said(call)
    # off the event loop: a large picture takes most of a second
    return await call.desk.pictures.run(_checked, call.desk, said, call.raw)


async def keep_picture(call: Call, taken: Taken, keep: Callable[[Records], Photo]) -> Work[Photo]:
    """Return the work that keeps a photograph's record, once its file is stored.

    Raises: StoreFull, StoreUnavailable; Refusal: too-busy.
    """
    desk = call.desk
    added: list[Photo] = []
    desk.arriving[taken.sha256] += 1
    call.at_end.append(lambda: _arrived(desk, taken.sha256, is_needed=bool(added)))
    await desk.pictures.run(_keep_file, desk, taken.data)

    def work(records: Records) -> Reply[Photo]:
        kept = keep(records)
        added.append(kept)
        return answer(desk, kept, is_new=True)

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
    headers = call.request.headers
    said, _ = media_type(headers.get("content-type", ""))
    is_coded = headers.get("content-encoding", "identity").lower() != "identity"
    if said not in SENT_AS or is_coded:
        raise _wrong_media(
            f"the body should be one of {', '.join(SENT_AS)}, without Content-Encoding"
        )
    if not call.raw:
        raise Refusal("body-invalid", "the body is empty: send the image itself")
    return said


def _checked(desk: Desk, said: str, data: bytes) -> Taken:
    """Return an image without its metadata.

    Raises: Refusal: wrong-media-type, if it is not of the declared type or can't be decoded;
    body-too-large.
    """
    found = desk.kind_of(data)
    if found not in MEDIA:
        raise _wrong_media(f"the body is not a valid image of a type in {', '.join(MEDIA)}")
    if said not in (found, _BYTES):
        raise _wrong_media(f"the body says that it is {said}, but is {found}")
    clean = reprinted(data, found, MOST_PHOTO)
    return Taken(clean, sha256(clean).hexdigest(), found)


def _wrong_media(detail: str) -> Refusal:
    headers = {"Accept": ", ".join(SENT_AS), "Accept-Encoding": "identity"}
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
def listed(records: Records, call: Call) -> Reply[ListOut[Photo]]:
    """List a quote's photos, oldest first, each with the path of its file."""
    quote = call.record(QUOTE, records.quotes.get)
    found = records.photos.of_quote(quote.number)
    return Reply(body=ListOut(items=found))


@operation("GET /v1/photos/{id}", "getPhoto", "photos", is_tagged=True)
def get(records: Records, call: Call) -> Reply[Photo]:
    """Get a photo's data, with the path of its file."""
    return answer(call.desk, call.record(PHOTO, records.photos.get))


@operation("GET /v1/photos/{id}/file", "getPhotoFile", "photos", forms=MEDIA, is_tagged=True)
def file(records: Records, call: Call) -> Reply[bytes]:
    """Get a photo's file, byte for byte as stored."""
    return sent_file(call, call.record(PHOTO, records.photos.get))


def sent_file(call: Call, photo: Photo) -> Reply[bytes]:
    """Return the answer with a photo's file. Raises: StoreUnavailable, RecordDamaged."""
    best_form(call.request, (photo.media_type,))
    return Reply(
        body=_file_of(call.desk, photo),
        # as long as all other tags of this service
        tag=f'"{photo.sha256[:32]}"',
        form=photo.media_type,
        headers={"Content-Disposition": "inline"},
    )


def _file_of(desk: Desk, photo: Photo) -> bytes:
    """Return a photo's file. Raises: StoreUnavailable, RecordDamaged."""
    data = desk.files.get(photo.sha256)
    if data is None:
        raise StoreUnavailable(f"the file of photo {photo.number} is missing")
    return data


@operation(
    "GET /v1/photos/{id}/thumbnail",
    "getThumbnail",
    "photos",
    "too-busy",
    forms=(THUMBNAIL_MEDIA,),
    keeps="reads",
    is_tagged=True,
)
async def thumbnail(call: Call) -> Reply[bytes]:
    """Get a photo's thumbnail, a JPEG.

    It is at most 320 points wide and high, upright and without metadata. A photo that was stored
    before pictures were decoded may have none; its file can be read all the same.
    """
    desk = call.desk
    photo = desk.store.read(lambda records: call.record(PHOTO, records.photos.get))
    # other bytes than the file's, so another tag
    tag = f'"{sha256(f"thumbnail {photo.sha256}".encode()).hexdigest()[:32]}"'
    headers = {"Content-Disposition": "inline"}
    if has_it(call.request, tag):
        return Reply(body=b"", tag=tag, form=THUMBNAIL_MEDIA, headers=headers)
    body = await desk.pictures.run(_thumbnail, desk, photo)
    return Reply(body=body, tag=tag, form=THUMBNAIL_MEDIA, headers=headers)


def _thumbnail(desk: Desk, photo: Photo) -> bytes:
    try:
        return thumbnail_of(_file_of(desk, photo), photo.media_type)
    except Refusal:
        raise Refusal(
            "unknown-record",
            f"photo {photo.number} has no thumbnail, because its file can't be decoded; "
            "the file itself can be read",
        ) from None


@operation("DELETE /v1/photos/{id}", "dropPhoto", "photos")
def drop(records: Records, call: Call) -> Reply[Photo]:
    """Delete a photo, and its file if no other photo uses the same file."""
    photo = call.record(PHOTO, records.photos.get)
    drop_photo(records, call.stamp, photo)
    call.at_end.append(lambda: drop_unneeded(call.desk, (photo.sha256,)))
    return Reply(body=photo)


def _check_subject(
    records: Records, catalogue: Catalogue, quote: KeptQuote, asked: PhotoQuery
) -> None:
    """Raise if a photograph can't show the stated subject. Raises: Refusal: query-invalid."""
    # None: the catalogue may no longer have the quote's family
    family = catalogue.families.get(FamilyId(quote.family))
    if asked.subject == "finding":
        rules = catalogue.rules
        known = {one.id for one in rules.finding} | {one.id for one in rules.reading}
        noun = "finding or reading"
    else:
        chassis = asked_of(revision_of(records, quote, quote.shown)).chassis
        known = set(_steps(catalogue, family, chassis))
        noun = "component of this engine"
    if asked.code not in known:
        close = get_close_matches(asked.code, sorted(known), n=3)
        hint = f"; did you mean {' or '.join(close)}?" if close else ""
        raise Refusal(
            "query-invalid", f"code: unknown {noun} {asked.code!r} in the catalogue{hint}"
        )
    if family is not None and asked.cylinder is not None and asked.cylinder > family.cylinders:
        raise Refusal(
            "query-invalid",
            f"cylinder: {asked.cylinder}, but family {family.id} has {family.cylinders}",
        )


def _steps(catalogue: Catalogue, family: Family | None, named: str | None) -> Iterator[str]:
    """Yield the components that can be removed from an engine of a family and its machine."""
    if family is not None:
        for component in catalogue.layouts[family.layout].component:
            yield component.id
    for chassis in catalogue.chassis.values():
        # if no chassis is named, it may be any that carries the engine
        carries = family is not None and family.layout in chassis.layouts
        if chassis.id == named or (named is None and carries):
            for component in chassis.component:
                yield component.id
