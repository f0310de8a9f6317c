"""Withdrawal mail: the receipt of a withdrawal, for its customer to keep.

What withdraws by a trader's page is acknowledged without delay on something that lasts, such as an
e-mail (Directive 2011/83/EU, article 11, paragraph 3).
"""

from __future__ import annotations

from collections.abc import Iterator
from email.message import EmailMessage
from email.policy import SMTP

from kitwright.catalogue.model import Shop
from kitwright.documents.after_words import after_no, after_withdrawal
from kitwright.documents.mail_head import MOST_SUBJECT, Head, complete, cut, one_line
from kitwright.language.scribe import Scribe
from kitwright.quote import Paper


def compose_withdrawal(paper: Paper, shop: Shop, head: Head) -> bytes:
    """Return the receipt as an e-mail with its headers. Raises: AddressInvalid, TextInvalid."""
    scribe, name = Scribe(paper.quote.language), paper.quote.shop.name
    content = EmailMessage(SMTP)
    text = "\n\n".join(_paragraphs(paper, scribe, shop))
    content.set_content(f"{text}\n", cte="quoted-printable")
    subject = scribe.say(
        "Receipt of your withdrawal: quote {quote} from {shop}",
        quote=paper.envelope.quote_id,
        shop=one_line("the shop's name", name),
    )
    return complete(head, name, scribe.language, cut(subject, MOST_SUBJECT), content)


def _paragraphs(paper: Paper, scribe: Scribe, shop: Shop) -> Iterator[str]:
    say, quote, envelope = scribe.say, paper.quote, paper.envelope
    right = envelope.withdrawal
    assert right is not None
    assert right.withdrawn_at is not None
    name = one_line("the customer's name", envelope.customer_name or "")
    yield say("Dear {name},", name=name) if name else say("Hello,")
    machine = envelope.machine_name or quote.engine.chassis_name or quote.engine.name
    yield say(
        "We received your withdrawal from the contract about {machine} (quote {quote}) on "
        "{moment}.",
        machine=one_line("the machine's name", machine),
        quote=envelope.quote_id,
        moment=scribe.moment(right.withdrawn_at, shop.time_zone),
    )
    follows = after_withdrawal if envelope.state == "accepted" else after_no
    yield "\n".join(
        one_line("what follows", told) for told in follows(quote, envelope, scribe, shop)
    )
    yield "\n".join((say("Kind regards,"), one_line("the shop's name", quote.shop.name)))
