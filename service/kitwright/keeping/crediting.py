"""Crediting: credit notes, which give back lines of an invoice or parts of them."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence

from msgspec import structs

from kitwright.keeping.acts import ActRefused
from kitwright.keeping.bill_lines import Portion, TooLarge, part_of, rest_of
from kitwright.keeping.bill_numbers import keep_bill
from kitwright.keeping.bill_sums import FAR, PROFILE, is_near, summed, taxes_of, with_items
from kitwright.keeping.record import BillKind, KeptBill, KeptQuote, Stamp
from kitwright.keeping.store import Records
from kitwright.money import Money, total
from kitwright.quote import BillLine, amount_of, read_bill


class NotCreditable(ActRefused):
    """Lines of an invoice that are credited already, or not there, or come to nothing."""

    code = "not-creditable"

    def __init__(self, number: str, why: str) -> None:
        super().__init__(f"{number} can't be credited so: {why}")
        self.number = number


def credit(
    records: Records,
    stamp: Stamp,
    quote: KeptQuote,
    invoice: KeptBill,
    *,
    reason: str,
    places: Sequence[int],
    portions: Sequence[Portion] = (),
) -> tuple[KeptQuote, KeptBill]:
    """Return a quote with a credit note on an invoice: on what is left of some of its lines, on
    parts of lines, or without any named, on all that is left. With a line goes its tax, with a part
    of it so much of that. No more is given back than is left of the invoice.

    Raises: NotCreditable.
    """
    if invoice.kind is BillKind.credit_note:
        raise NotCreditable(invoice.name, "it is a credit note")
    deducting = deducted_by(records, invoice)
    if deducting is not None:
        why = f"invoice {deducting.name} deducts it: credit that one first, completely"
        raise NotCreditable(invoice.name, why)
    original = read_bill(invoice.body)
    lines = _credited_lines(records, invoice, places, portions)
    nothing = amount_of(Money(0, original.currency))
    unmet = original.unmet or (() if is_near(lines) else (FAR,))
    bill = summed(
        structs.replace(
            original,
            kind="credit_note",
            credits=invoice.name,
            credits_on=original.issued_on,
            reason=reason,
            deducts=(),
            issued_on=stamp.today,
            due_on=stamp.today,
            terms=None,
            lines=with_items(lines),
            taxes=taxes_of(lines, original.taxes),
            prepaid=nothing,
            profile=None if unmet else PROFILE,
            unmet=unmet,
        )
    )
    if portions and not bill.gross.money.minor:
        raise NotCreditable(invoice.name, "these lines come to nothing")
    left = total((line.gross.money for line in open_lines(records, invoice)), original.currency)
    # an invoice that deducts as much as it bills may come to a cent less than nothing
    if bill.gross.money.minor < min(left.minor, 0):
        raise NotCreditable(invoice.name, "these lines come to less than nothing")
    if bill.gross.money > left:
        why = f"these lines come to more than the {left.amount_text} that is left of it"
        raise NotCreditable(invoice.name, f"{why}: credit discounts together with their lines")
    return keep_bill(records, stamp, quote, bill, invoice, buyer=invoice.buyer)


def deducted_by(records: Records, invoice: KeptBill) -> KeptBill | None:
    """Return the invoice that deducts one of an advance and is not credited completely; None if
    there is none.
    """
    if invoice.kind is not BillKind.advance:
        return None
    for one in records.bills.of_quote(invoice.quote):
        names = (each.number for each in read_bill(one.body).deducts)
        if one.kind is BillKind.invoice and invoice.name in names and is_open(records, one):
            return one
    return None


def is_open(records: Records, invoice: KeptBill) -> bool:
    """Return whether credit notes left anything of an invoice."""
    return any(open_lines(records, invoice))


def open_lines(records: Records, invoice: KeptBill) -> Iterator[BillLine]:
    """Yield what credit notes left of the lines of an invoice."""
    given = _given(records, invoice)
    for line in read_bill(invoice.body).lines:
        rest = rest_of(line, given.get(line.line, ()))
        if rest is not None:
            yield rest


def _given(records: Records, invoice: KeptBill) -> Mapping[int, Sequence[BillLine]]:
    """Return what credit notes gave back of each line of an invoice."""
    given: dict[int, list[BillLine]] = {}
    for one in records.bills.of_quote(invoice.quote):
        if one.credited == invoice.name:
            for line in read_bill(one.body).lines:
                given.setdefault(line.line, []).append(line)
    return given


def _credited_lines(
    records: Records, invoice: KeptBill, places: Sequence[int], portions: Sequence[Portion]
) -> tuple[BillLine, ...]:
    """Return the lines of a credit note: what is left of some lines, and parts of others."""
    named = [*places, *(one.line for one in portions)]
    left = {line.line: line for line in open_lines(records, invoice)}
    wrong = [place for place in named if place not in left]
    if wrong or len(set(named)) < len(named):
        told = ", ".join(map(str, wrong)) or "a line twice"
        raise NotCreditable(invoice.name, f"not on it, or credited already: {told}")
    lines = {place: left[place] for place in (places if named else left)}
    whole = {line.line: line for line in read_bill(invoice.body).lines}
    given = _given(records, invoice)
    for one in portions:
        try:
            lines[one.line] = part_of(whole[one.line], given.get(one.line, ()), one)
        except TooLarge as error:
            raise NotCreditable(invoice.name, f"line {one.line}: {error}") from None
    if not lines:
        raise NotCreditable(invoice.name, "every line of it is credited already")
    return tuple(lines[place] for place in sorted(lines))
