"""Link photos: the call by which a customer sees a photograph of what was found."""

from __future__ import annotations

from kitwright.keeping.record import Photo
from kitwright.keeping.store import Records
from kitwright.quote import read_quote
from kitwright.web.calls.call import Call
from kitwright.web.calls.handlers import operation
from kitwright.web.calls.ids import PHOTO, written
from kitwright.web.calls.links import ENDED, LINK_FACTS, by_link
from kitwright.web.calls.photos import MEDIA, sent_file
from kitwright.web.edge.problems import Refusal
from kitwright.web.edge.reply import Reply


@operation(
    "GET /v1/links/{token}/photos/{id}",
    "getOfferPhoto",
    "links",
    "link-expired",
    forms=MEDIA,
    keeps="reads",
    is_tagged=True,
    **LINK_FACTS,
)
def photo(records: Records, call: Call) -> Reply[bytes]:
    """Get a photo of what was found.

    Only photos that the revision of the link names in its `change` are shown to its customer; all
    others are the shop's. Needs only the link's token, not a key.
    """
    _, quote, revision = by_link(records, call)
    if revision.state in ENDED:
        raise Refusal("link-expired", "this offer no longer stands")
    found: Photo = call.record(PHOTO, records.photos.get)
    change = read_quote(revision.answer).change
    named = () if change is None else (one for find in change.finds for one in find.photographs)
    if found.quote != quote.number or written(PHOTO, found.number) not in named:
        raise Refusal("unknown-record", "this offer shows no such photo")
    return sent_file(call, found)
