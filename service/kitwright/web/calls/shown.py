"""Shown: shows stored and catalogue records in answers, without the members that are internal.

Calls answer with records. `VIEWS` lists how the JSON of a record differs from the record: that is
the only other schema of a record. In every record, numbers are shown as ids, money as amounts and
decimals as texts.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from decimal import Decimal
from functools import cache, partial
from operator import attrgetter
from types import NoneType, UnionType
from typing import (
    Annotated,
    Any,
    Final,
    Generic,
    Literal,
    TypeVar,
    Union,
    get_args,
    get_origin,
)

import msgspec
from msgspec import Meta, Struct, structs

from kitwright.catalogue import model
from kitwright.keeping import aftercare
from kitwright.keeping import record as kept
from kitwright.keeping.consent import Limit, Ruling
from kitwright.keeping.event import origin_of
from kitwright.keeping.generation import Origin
from kitwright.keeping.kinds import EventKind
from kitwright.keeping.order_progress import allotted
from kitwright.keeping.store import Records
from kitwright.money import Money
from kitwright.quote import (
    AllottedLine,
    Amount,
    Count,
    DecimalText,
    OnCylinder,
    Order,
    SerialNumber,
    amount_of,
)
from kitwright.stages.ordering import Surplus
from kitwright.units import REC20, Figure, decimal_text
from kitwright.web.calls.ids import (
    CLAIM,
    CUSTOMER,
    FLEET,
    HOOK,
    ID_TYPES,
    MACHINE,
    MAIL,
    ORDER,
    PHOTO,
    QUOTE,
    TICKET,
    RevisionNumber,
    Sha256,
    subject_out,
    written,
)
from kitwright.web.edge.shapes import FreeKind

MOST_PHOTO: Final = 10 * 1024 * 1024
"""The largest photograph, in bytes."""
Place = Annotated[int, Meta(ge=0, le=999_999_999_999_999)]
"""A place in the feed, or in another sequence that is numbered: it is large after a restore."""
T = TypeVar("T")
S = TypeVar("S", bound=Struct)
ScopeName = Literal["read", "quote", "order", "catalogue", "owner"]
"""The scopes by name: the catalogue has a `Scope` of its own, and shapes go by their names."""
Converting = Callable[[Any], Any] | None
"""Converts a value to what is sent; None if it is sent as it is."""


def raw(body: bytes) -> Any:
    """Return the JSON of a member as it is sent: the encoder copies it, whatever type the member
    has.
    """
    return msgspec.Raw(body)


class Out(Struct, frozen=True, kw_only=True):
    """The base of answers that are not records."""


class ListOut(Out, Generic[T], frozen=True, kw_only=True):
    """All records of a kind, by id."""

    items: tuple[T, ...]


class View(Struct, frozen=True, kw_only=True):
    """The difference between a record and the JSON that shows it.

    `name` and `about` are the name and description of the JSON's schema, if they are not those of
    the record. With a `letter`, `number` is shown as `id`. `hides` are
    the members that are not shown, `names` other names of members. `makes` are the members that are
    made from the record, with their types.
    """

    name: str = ""
    about: str = ""
    letter: str = ""
    hides: tuple[str, ...] = ()
    names: Mapping[str, str] = {}
    makes: Mapping[str, tuple[Any, Callable[[Any], Any]]] = {}


def _net(record: kept.KeptQuote | kept.Revision) -> Amount | None:
    # without its tax, an amount is not final
    return None if record.gross is None else amount_of(record.net)


def _presets_amount(member: str) -> tuple[Any, Callable[[Any], Any]]:
    def amount(preset: model.OverrunPreset) -> Amount | None:
        figure: Figure | None = getattr(preset, member)
        # the catalogue's check ensures that amounts have a currency
        if figure is None or preset.currency is None:
            return None
        return amount_of(Money.of(figure, preset.currency))

    return Amount | None, amount


_NET: Final = (Amount | None, _net)
_SUBJECT: Final = Annotated[str, Meta(pattern="^(finding|step|take_in)$")]
_IMAGE: Final = Annotated[str, Meta(pattern="^image/(jpeg|png|webp)$")]
_KEY_ID: Final = Annotated[str, Meta(pattern="^[0-9A-Za-z]{10}$")]
VIEWS: Final[Mapping[type[Struct], View]] = {
    kept.KeptQuote: View(
        letter=QUOTE,
        hides=("version", "made_on"),
        names={"latest": "revision"},
        makes={"net": _NET},
    ),
    kept.Revision: View(
        name="RevisionHeadOut",
        about=(
            "A revision without its figures in full; `sha256` is of what its customer sees, since "
            "its issue: byte for byte of `quote` in the answer to the customer's link. `reason` "
            "is the customer's for declining it, else the shop's for keeping the prices of an "
            "earlier day (`keep_prices`)."
        ),
        hides=(
            "quote",
            "number",
            "customer",
            "machine",
            "tax_state",
            "request",
            "answer",
            "reckoning",
            "shown",
        ),
        names={
            "is_provisional": "provisional",
            "is_erased": "erased",
            "asked": "request",
            "quoted": "quote",
        },
        makes={"revision": (RevisionNumber, attrgetter("number")), "net": _NET},
    ),
    kept.Authorisation: View(hides=("quote",)),
    kept.Addition: View(
        hides=("quote", "day", "price"),
        makes={name: (FreeKind, attrgetter(name)) for name in ("kind", "tax_kind")},
    ),
    Limit: View(makes={"left": (Amount, lambda limit: amount_of(limit.left))}),
    kept.Customer: View(letter=CUSTOMER),
    kept.Machine: View(letter=MACHINE),
    kept.Ticket: View(letter=TICKET, hides=("day",)),
    kept.KeptOrder: View(
        letter=ORDER,
        hides=("version", "supplier", "net", "body"),
        makes={"order": (Order, lambda order: msgspec.json.decode(order.body, type=Order))},
    ),
    kept.Allocation: View(
        hides=("order",),
        makes={
            "net": (Amount, lambda one: amount_of(one.goods + one.fees + one.freight)),
            "lines": (tuple[AllottedLine, ...], allotted),
        },
    ),
    kept.KeptBill: View(
        name="BillHeadOut",
        about="An invoice or a credit note; `number` is the number that it has.",
        hides=(
            *("number", "series", "place", "credited_series", "credited_place"),
            *("body", "day"),
        ),
        makes={
            "number": (str, attrgetter("name")),
            "credits": (str | None, attrgetter("credited")),
        },
    ),
    aftercare.KeptComeBack: View(name="CameBackOut", hides=("quote",)),
    aftercare.Claim: View(letter=CLAIM),
    aftercare.Notice: View(hides=("quote",)),
    kept.Payment: View(hides=("quote", "day"), names={"is_advance": "in_advance"}),
    kept.Handover: View(
        hides=("quote", "day"),
        names={"is_unsafe": "unsafe"},
    ),
    kept.Photo: View(
        letter=PHOTO,
        makes={
            "path": (str, lambda photo: f"/v1/photos/{written(PHOTO, photo.number)}/file"),
            "thumbnail": (
                str,
                lambda photo: f"/v1/photos/{written(PHOTO, photo.number)}/thumbnail",
            ),
            "subject": (_SUBJECT, attrgetter("subject")),
            "media_type": (_IMAGE, attrgetter("media_type")),
        },
    ),
    kept.Mail: View(
        name="MessageOut",
        letter=MAIL,
        hides=("message_id", "body"),
        makes={"to": (str | None, lambda mail: mail.to or None)},
    ),
    kept.Hook: View(
        letter=HOOK,
        hides=("version", "secret"),
        names={"signs_with": "secret"},
        makes={"kinds": (tuple[EventKind, ...], attrgetter("kinds"))},
    ),
    kept.KeyRecord: View(
        name="KeyOut",
        hides=("hash",),
        makes={
            "id": (_KEY_ID, attrgetter("id")),
            "scopes": (tuple[ScopeName, ...], lambda key: tuple(sorted(map(str, key.scopes)))),
        },
    ),
    kept.Event: View(
        makes={
            "kind": (EventKind, attrgetter("kind")),
            "subject_kind": (str, lambda event: subject_out(event.subject)[0]),
            "subject": (str, lambda event: subject_out(event.subject)[1]),
        }
    ),
    Surplus: View(),
    Ruling: View(hides=("consent_up_to",)),
    **dict.fromkeys(
        (model.SerialBreak, model.JobRef, model.Scopes, model.WhileApart, model.Condition), View()
    ),
    model.Family: View(
        hides=("minutes_ratio", "flags", "override", "part", "fitment", "sets"),
        names={"serial_break": "serial_breaks"},
    ),
    model.Chassis: View(hides=("cramped_factor", "component", "rule")),
    model.Diagnosis: View(
        about=(
            "A fault with its description for customers, the claims that must not be made, and "
            "the jobs that repair it."
        ),
        hides=("name", "prior", "links", "reasons", "direct", "links_if"),
    ),
    model.Job: View(
        hides=("work", "visit", "sublet", "is_credited_to_repair", "is_before_tests", "contingency")
    ),
    model.Contingency: View(hides=("add",), names={"id": "contingency"}),
    model.Fitment: View(
        hides=("part", "build_codes"),
        makes={"unit": (str, lambda fitment: REC20[fitment.unit])},
    ),
    model.TaxArea: View(
        hides=("rounding", "untaxed", "exemption"),
        makes={
            "rounding_by": (str, lambda area: area.rounding.by),
            "rounding_mode": (str, lambda area: area.rounding.mode),
        },
    ),
    model.TaxComponent: View(
        makes={
            "rates": (
                dict[str, DecimalText],
                lambda tax: {
                    rate.valid_from.isoformat(): decimal_text(rate.percent) for rate in tax.rates
                },
            )
        },
    ),
    model.OverrunPreset: View(
        hides=("currency",),
        makes={member: _presets_amount(member) for member in ("fixed", "at_most", "over_total")},
    ),
}
"""Record -> how it is shown; also those with more members, which are made from it."""

_LETTERS: Final = {
    "quote": QUOTE,
    "customer": CUSTOMER,
    "machine": MACHINE,
    "order": ORDER,
    "fleet": FLEET,
    "ticket": TICKET,
    "visit": QUOTE,
}
"""Members of records that are the number of another record."""
_BOUNDED: Final[Mapping[str, Any]] = {
    **dict.fromkeys(("revision", "latest", "offered", "agreed", "shown"), RevisionNumber),
    **dict.fromkeys(("serial", "at", "serial_from", "serial_to"), SerialNumber),
    **dict.fromkeys(("cylinder", "cylinders"), OnCylinder),
    "sha256": Sha256,
    "seq": Place,
    "hours": DecimalText,
    "size": Annotated[int, Meta(ge=1, le=MOST_PHOTO, description="Bytes.")],
}
"""Members of records that are plain numbers or texts, with the bounds that the API names."""


class EventOut(kept.Event, frozen=True, kw_only=True):
    """A change: its place in the feed, what happened to which record, and who did it: a key (by its
    id), the customer by a link, or the service.

    `id` is the same in every answer and message, and no other event of any shop has it. `shop` is
    the shop's id. Places are in the order of commits; a restore leaves places out. `facts` hold no
    personal data.
    """

    id: str
    shop: str


def traced(records: Records, events: Iterable[kept.Event]) -> tuple[EventOut, ...]:
    """Return events with their ids and their shop."""
    origin = origin_of(records)
    return tuple(identified(event, origin) for event in events)


def identified(event: kept.Event, origin: Origin) -> EventOut:
    """Return an event with its id and its shop."""
    return extended(EventOut, event, id=origin.event_id(event.seq), shop=origin.shop)


def extended(kind: type[S], record: Struct, **more: Any) -> S:
    """Return a record with more members, as a struct derived from the record's."""
    return kind(**structs.asdict(record), **more)


def letter_of(record: object) -> str:
    """Return the letter of the ids of a record's kind, empty if they have none."""
    view = _view(type(record))
    return "" if view is None else view.letter


def _view(kind: type) -> View | None:
    return next((VIEWS[base] for base in kind.__mro__ if base in VIEWS), None)


def as_shown(record: Struct) -> Struct:
    """Return a record as it is sent."""
    _, convert = shown(type(record))
    found: Struct = convert(record) if convert else record
    return found


@cache
def shown(hint: Any, member: str = "") -> tuple[Any, Converting]:
    """Return the type that values of a type are sent as, and their conversion.

    `member` is the member of a record that has the values.
    """
    origin, args = get_origin(hint), get_args(hint)
    if hint is Money:
        return Amount, amount_of
    if hint in (Decimal, Figure):
        return DecimalText, decimal_text
    if hasattr(hint, "__supertype__"):
        return shown(hint.__supertype__, member)
    if member and hint in (int, str):
        return _BOUNDED.get(member, Count if hint is int else str), None
    if origin in (Union, UnionType):
        found = [shown(each, member) for each in args if each is not NoneType]
        return (hint, None) if found[1:] else (found[0][0] | None, _unless_none(found[0][1]))
    if origin is tuple:
        sent, convert = shown(args[0], member)
        return tuple[sent, ...], convert and partial(_each, convert)  # type: ignore[valid-type]
    if isinstance(origin or hint, type) and issubclass(origin or hint, Struct):
        return _struct(origin or hint, hint)
    return hint, None


def _unless_none(convert: Converting) -> Converting:
    return convert and (lambda value: None if value is None else convert(value))


def _each(convert: Callable[[Any], Any], values: Iterable[Any]) -> tuple[Any, ...]:
    return tuple(map(convert, values))


@cache
def _struct(kind: type[Struct], hint: Any) -> tuple[Any, Converting]:
    """Return the struct that a struct is sent as, and its conversion."""
    view = _view(kind)
    fields = structs.fields(hint)
    if view is None:
        found = {each.encode_name: (each.name, *shown(each.type)) for each in fields}
        if all(convert is None for _, _, convert in found.values()):
            return hint, None
    else:
        found = dict(_member(view, each) for each in fields if each.name not in view.hides)
    made = {} if view is None else view.makes
    types = {name: sent for name, (_, sent, _) in found.items()}
    types |= {name: sent for name, (sent, _) in made.items()}
    if args := get_args(hint):
        struct: Any = kind
        sent: Any = hint.__origin__[tuple(shown(each)[0] for each in args)]
    else:
        name = kind.__name__ if kind.__name__.endswith("Out") else f"{kind.__name__}Out"
        own = VIEWS.get(kind, View())
        sent = struct = msgspec.defstruct(
            own.name or name,
            [*types.items()],
            frozen=True,
            kw_only=True,
            module=__name__,
            namespace={"__doc__": own.about or kind.__doc__},
        )
    takes = [(name, *rest) for name, rest in found.items() if name not in made]

    def convert(record: Any) -> Any:
        return struct(
            **{
                name: getattr(record, member) if turn is None else turn(getattr(record, member))
                for name, member, _, turn in takes
            },
            **{name: make(record) for name, (_, make) in made.items()},
        )

    return sent, convert


def _member(view: View, field: structs.FieldInfo) -> tuple[str, tuple[str, Any, Converting]]:
    """Return the name of a record's member in JSON, then the member, its type and conversion."""
    letter = view.letter if field.name == "number" else _LETTERS.get(field.name)
    name = view.names.get(field.name, field.name)
    if not letter or int not in (field.type, *get_args(field.type)):
        return name, (field.name, *shown(field.type, field.name))
    name = "id" if field.name == "number" else name
    kind: Any = ID_TYPES[letter]
    if NoneType in get_args(field.type):
        return name, (field.name, kind | None, _unless_none(partial(written, letter)))
    return name, (field.name, kind, partial(written, letter))
