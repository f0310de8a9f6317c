"""Letterhead: the sender of a document, and how its reader can ask questions."""

from __future__ import annotations

from urllib.parse import quote

from msgspec import Struct

from kitwright.catalogue.model import Contact, Shop


class Letterhead(Struct, frozen=True, kw_only=True):
    """A shop as the sender of a document: its name, its time zone, and its known contact
    details.
    """

    name: str
    time_zone: str
    address: tuple[str, ...] = ()
    telephone: str | None = None
    email: str | None = None

    @property
    def dialled(self) -> str:
        """The phone number as a `tel:` address, or an empty text."""
        return (
            ""
            if self.telephone is None
            else "tel:" + quote(self.telephone.replace(" ", ""), safe="+")
        )

    def written_to(self, subject: str) -> str:
        """Return a `mailto:` address with a subject, or an empty text."""
        if self.email is None:
            return ""
        return f"mailto:{quote(self.email, safe='@')}?subject={quote(subject, safe='')}"


def letterhead(shop: Shop) -> Letterhead:
    """Return the letterhead of a shop of the catalogue."""
    contact = shop.contact or Contact()
    return Letterhead(
        name=shop.name,
        time_zone=shop.time_zone,
        address=contact.address,
        telephone=contact.telephone,
        email=contact.email,
    )
