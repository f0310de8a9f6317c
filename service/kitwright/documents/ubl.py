"""UBL: a revision as a UBL 2.1 Quotation, for software that orders and pays.

Sums are exact, as EN 16931 requires for invoices. Amounts are without tax, even if the shop's
prices include it:

- lines sum to `LineExtensionAmount`;
- that, less allowances, plus charges, is `TaxExclusiveAmount`;
- that and the tax totals make `TaxInclusiveAmount`;
- that, less what was prepaid, plus cash rounding, is `PayableAmount`; if it is negative, a note
  says that it is refunded.

Freight is a charge on the document (UNCL 7161, FC), and a discount an allowance (UNCL 5189, 95).
Every other negative line, such as the credit of a diagnosis, is an allowance too, because the price
of an item must not be negative. The ID of a line, charge or allowance is its position in the
revision.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Final
from zoneinfo import ZoneInfo

from kitwright.documents.balance_view import balance_of, exemption_told, left_sentence
from kitwright.documents.fleet_words import place_told
from kitwright.documents.line_words import kind_of, reason_of
from kitwright.documents.ubl_tax import tax_totals, taxes_of
from kitwright.documents.ubl_xml import ubl_document
from kitwright.errors import KitwrightError
from kitwright.language.scribe import Scribe
from kitwright.money import total
from kitwright.quote import Amount, Envelope, Line, Quote, amount_of, known, net_price

FREIGHT: Final = "FC"
DISCOUNT: Final = "95"

_Places = list[tuple[int, Line]]
"""Lines with their positions in the revision, from 1."""


class UblError(KitwrightError):
    """A revision that can't be a Quotation."""

    code = "ubl-error"


class RevisionNotIssued(UblError):
    """A Quotation needs a day of issue, and the revision has none."""

    code = "revision-not-issued"

    def __init__(self, quote: str, revision: int) -> None:
        super().__init__(f"revision {revision} of {quote} was never issued")
        self.quote = quote
        self.revision = revision


class AmountsNotKnown(UblError):
    """A Quotation needs amounts with and without tax, and the revision's tax is not known."""

    code = "amounts-not-known"

    def __init__(self, quote: str, revision: int) -> None:
        super().__init__(f"the tax of revision {revision} of {quote} is not known")
        self.quote = quote
        self.revision = revision


def quotation(quote: Quote, envelope: Envelope, *, zone: str) -> bytes:
    """Return an issued revision as a UBL 2.1 Quotation in UTF-8.

    The same revision gives the same bytes. It contains nothing that the customer does not see, such
    as costs and internal reasons.

    Args:
        quote: the revision; its texts are in its own language.
        envelope: its customer and state; unknown customer data is left out.
        zone: the shop's time zone, an IANA name, for the day of issue.

    Raises: RevisionNotIssued, AmountsNotKnown, UnknownLanguage.
    """
    if envelope.issued_at is None:
        raise RevisionNotIssued(envelope.quote_id, envelope.revision)
    if quote.totals.gross is None:
        raise AmountsNotKnown(envelope.quote_id, envelope.revision)
    scribe = Scribe(quote.language)
    goods, apart = _split(quote)
    return ubl_document(
        "quotation.xml",
        scribe,
        quote=quote,
        envelope=envelope,
        number=_number(quote, envelope),
        issued_at=envelope.issued_at.astimezone(ZoneInfo(zone)),
        notes=_notes(quote, envelope, scribe),
        address=_lines(envelope.customer_address),
        balance=balance_of(quote.totals),
        exemption_told=exemption_told,
        goods=goods,
        apart=apart,
        sums=_sums(goods, apart, quote.shop.currency),
        tax_totals=tax_totals(quote),
        taxes_of=taxes_of,
        kind_of=kind_of,
        reason_of=reason_of,
        net_price=net_price,
        FREIGHT=FREIGHT,
        DISCOUNT=DISCOUNT,
    )


def _split(quote: Quote) -> tuple[_Places, _Places]:
    """Return the items of the document, and its charges and allowances."""
    goods: _Places = []
    apart: _Places = []
    for at, line in enumerate(quote.lines, start=1):
        is_apart = kind_of(line) in ("discount", "freight") or known(line.net).minor < 0
        (apart if is_apart else goods).append((at, line))
    # a Quotation needs at least one line, of whatever kind
    return (goods, apart) if goods else (apart, [])


def _sums(goods: _Places, apart: _Places, currency: str) -> dict[str, Amount]:
    """Return the sums of items, charges and allowances, all without tax and at least zero."""
    nets = [known(line.net) for _, line in apart]
    sums = {
        "lines": (known(line.net) for _, line in goods),
        "charges": (net for net in nets if net.minor > 0),
        "allowances": (-net for net in nets if net.minor < 0),
    }
    return {name: amount_of(total(addends, currency)) for name, addends in sums.items()}


def _lines(text: str | None) -> list[str]:
    """Return the lines of a text as they are, without blank ones."""
    return [line for line in (text or "").splitlines() if line.strip()]


def _number(quote: Quote, envelope: Envelope) -> str:
    """Return the document's number, which tells how many lines were added after acceptance."""
    added = sum(1 for line in quote.lines if line.is_added)
    return f"{envelope.name}+{added}" if added else envelope.name


def _notes(quote: Quote, envelope: Envelope, scribe: Scribe) -> Iterator[str]:
    if quote.chassis_question is not None:
        yield scribe.say(
            "Prices are provisional: we do not know yet which machine the engine is in. The most "
            "expensive is priced."
        )
    if quote.provisional and (quote.part_questions or quote.chassis_question is None):
        yield scribe.say(
            "Prices are provisional: which parts fit is known only once the engine's plate has "
            "been read."
        )
    yield from (note.text for note in quote.notes)
    if envelope.fleet is not None:
        yield place_told(envelope, scribe)
    found = balance_of(quote.totals)
    if found is not None and found.back.minor:
        yield left_sentence(found, scribe)
    engine, say = quote.engine, scribe.say
    hours = None if envelope.machine_hours is None else scribe.number(envelope.machine_hours)
    for note, fact in (
        (say("Machine: {it}", it=envelope.machine_name), envelope.machine_name),
        (say("Machine type: {it}", it=engine.chassis_name), engine.chassis_name),
        (say("Engine: {it}", it=engine.name), engine.name),
        (say("Serial number: {it}", it=engine.serial), engine.serial),
        (say("Build code: {it}", it=engine.build_code), engine.build_code),
        (say("Operating hours: {it}", it=hours), hours),
    ):
        if fact is not None:
            yield note
