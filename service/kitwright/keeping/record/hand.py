"""Records of who did something, and by what means."""

from __future__ import annotations

from datetime import date, datetime
from enum import StrEnum

from msgspec import Struct


class Means(StrEnum):
    """The means by which a customer authorised."""

    in_person = "in_person"
    telephone = "telephone"
    link = "link"
    email = "email"


class Hand(StrEnum):
    """Who made a change: the holder of an API key, the customer through a link, or the service
    itself.
    """

    key = "key"
    link = "link"
    service = "service"


class Stamp(Struct, frozen=True, kw_only=True):
    """Who acts, and when: `by` is a key's id, or the number of the quote that a link is for."""

    at: datetime
    today: date
    hand: Hand
    by: str
    request_id: str = ""
