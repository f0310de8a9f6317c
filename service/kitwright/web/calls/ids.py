"""Ids: converts numbers of stored records to and from ids, which have a letter as prefix."""

from __future__ import annotations

from typing import Annotated, Final

from msgspec import Meta

from kitwright.web.edge.problems import Refusal

QUOTE: Final = "Q"
CUSTOMER: Final = "C"
MACHINE: Final = "M"
ORDER: Final = "O"
PHOTO: Final = "P"
HOOK: Final = "W"
MAIL: Final = "E"
PRICE_FILE: Final = "F"
FLEET: Final = "G"
TICKET: Final = "T"
CLAIM: Final = "K"

_LARGEST: Final = 10**15
NOUNS: Final = {
    QUOTE: "quote",
    CUSTOMER: "customer",
    MACHINE: "machine",
    ORDER: "order",
    PHOTO: "photo",
    HOOK: "webhook",
    MAIL: "message",
    PRICE_FILE: "price-file",
    FLEET: "fleet",
    TICKET: "ticket",
    CLAIM: "claim",
}
"""Letter -> kind of record, as in the subjects of events."""


_A: Final = {ORDER: "an"}


def _id(letter: str, example: str) -> Meta:
    return Meta(
        max_length=17,
        pattern=rf"^{letter}[1-9][0-9]{{0,14}}(?!\n)$",
        examples=[example],
        extra={"wanted": f"the id of {_A.get(letter, 'a')} {NOUNS[letter]}"},
    )


QuoteId = Annotated[str, _id(QUOTE, "Q12")]
CustomerId = Annotated[str, _id(CUSTOMER, "C7")]
MachineId = Annotated[str, _id(MACHINE, "M9")]
OrderId = Annotated[str, _id(ORDER, "O3")]
PhotoId = Annotated[str, _id(PHOTO, "P5")]
HookId = Annotated[str, _id(HOOK, "W1")]
MailId = Annotated[str, _id(MAIL, "E4")]
PriceFileId = Annotated[str, _id(PRICE_FILE, "F3")]
FleetId = Annotated[str, _id(FLEET, "G12")]
TicketId = Annotated[str, _id(TICKET, "T5")]
ClaimId = Annotated[str, _id(CLAIM, "K2")]
ID_TYPES: Final = {
    QUOTE: QuoteId,
    CUSTOMER: CustomerId,
    MACHINE: MachineId,
    ORDER: OrderId,
    PHOTO: PhotoId,
    HOOK: HookId,
    MAIL: MailId,
    PRICE_FILE: PriceFileId,
    FLEET: FleetId,
    TICKET: TicketId,
    CLAIM: ClaimId,
}
"""Letter -> the type of such ids in JSON."""
RevisionNumber = Annotated[
    int, Meta(ge=1, le=1_000_000, description="The number of a revision, from 1.")
]
Sha256 = Annotated[str, Meta(pattern="^[0-9a-f]{64}$", description="SHA-256 in hex.")]


def written(letter: str, number: int) -> str:
    """Return the id of a number."""
    return f"{letter}{number}"


def written_or_none(letter: str, number: int | None) -> str | None:
    """Return the id of a number, None for none."""
    return None if number is None else written(letter, number)


def read_id(letter: str, text: str) -> int:
    """Return the number of an id. Raises: Refusal: unknown-record if it is not an id."""
    digits = text[1:]
    if text[:1] == letter and digits.isascii() and digits.isdigit() and digits[0] != "0":
        number = int(digits) if len(digits) <= 15 else _LARGEST
        if number < _LARGEST:
            return number
    raise missing(letter, text)


def read_id_or_none(letter: str, text: str | None) -> int | None:
    """Return the number of an id, None for none. Raises: Refusal: unknown-record."""
    return None if text is None else read_id(letter, text)


def missing(letter: str, text: str) -> Refusal:
    """Return the refusal of an unknown id."""
    return Refusal("unknown-record", f"no {NOUNS[letter]} {text[:64]!r}")


def subject_out(subject: str) -> tuple[str, str]:
    """Return the kind and the id of an event's subject: `quote:12` is a quote, Q12."""
    kind, _, number = subject.partition(":")
    letters = {noun: letter for letter, noun in NOUNS.items()}
    return kind, f"{letters[kind]}{number}" if kind in letters else number
