"""Order mail: the message that sends a parts order to its supplier, with the order as PDF, CSV and
UBL.
"""

from __future__ import annotations

from collections.abc import Iterator
from email.message import EmailMessage
from email.policy import SMTP
from typing import Final

from kitwright.catalogue.model import Shop, SupplierId
from kitwright.documents.mail_head import MOST_SUBJECT, Head, complete, cut, note_lines, one_line
from kitwright.documents.order_text import MadeOrder, delivery_lines
from kitwright.language.scribe import Scribe

_FORMS: Final = {
    "pdf": ("application", "pdf"),
    "csv": ("text", "csv"),
    "xml": ("application", "xml"),
}


class OrderMessage(Head, frozen=True, kw_only=True):
    """The data of an e-mail apart from the order. `files` are the order's documents by the endings
    of their names.
    """

    files: dict[str, bytes]


def compose_order(made: MadeOrder, shop: Shop, scribe: Scribe, message: OrderMessage) -> bytes:
    """Return an e-mail with its headers, in plain text, and the order's documents with it.

    Raises: AddressInvalid, TextInvalid.
    """
    content = EmailMessage(SMTP)
    text = "\n\n".join("\n".join(lines) for lines in _paragraphs(made, shop, scribe, message))
    content.set_content(f"{text}\n", cte="quoted-printable")
    for ending, data in message.files.items():
        main, sub = _FORMS[ending]
        content.add_attachment(
            data, maintype=main, subtype=sub, filename=f"{made.id}.{ending}", cte="base64"
        )
    named = one_line("the shop's name", shop.name)
    subject = scribe.say("Purchase order {order} from {shop}", order=made.id, shop=named)
    return complete(message, shop.name, scribe.language, cut(subject, MOST_SUBJECT), content)


def _paragraphs(
    made: MadeOrder, shop: Shop, scribe: Scribe, message: OrderMessage
) -> Iterator[tuple[str, ...]]:
    say, order = scribe.say, made.order
    yield (
        say("Please deliver purchase order {order}, attached as PDF, CSV and UBL.", order=made.id),
    )
    account = shop.purchasing.accounts.get(SupplierId(order.supplier))
    facts = [
        (say("Our account"), account or ""),
        (say("Requested for"), scribe.day(order.promised)),
        (say("Total before tax"), scribe.money(order.net.amount, order.net.currency)),
    ]
    yield tuple(f"{name}: {value}" for name, value in facts if value)
    yield tuple(_line(place, made, scribe) for place in range(len(order.lines)))
    yield (say("Deliver to:"), *delivery_lines(shop))
    if message.note is not None:
        yield note_lines(message.note)
    yield (
        say("Please confirm with your order number, and tell us of anything that differs."),
        shop.name,
    )


def _line(place: int, made: MadeOrder, scribe: Scribe) -> str:
    line = made.order.lines[place]
    return scribe.say(
        "{line}. {packs} x {sku}, {name} ({item})",
        line=place + 1,
        packs=line.packs,
        sku=one_line("a number", line.sku),
        name=one_line("a name", line.name),
        item=one_line("an item", line.item),
    )
