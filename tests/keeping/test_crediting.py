"""Credit notes on lines of an invoice: together they never give back more than it, and all of it
can be given back.
"""

from contextlib import suppress
from decimal import Decimal
from random import Random

import pytest
from lxml import etree
from tests.documents.billing import Ledger, drawn_statements
from tests.documents.ubl_reader import CARRIED

from kitwright.documents.ubl_bill import ubl_bill
from kitwright.keeping.bill_lines import Portion
from kitwright.keeping.crediting import NotCreditable
from kitwright.keeping.record import KeptBill, KeptQuote
from kitwright.money import Money, digits
from kitwright.quote import Bill, Statement, read_bill


@pytest.fixture(scope="module")
def statements() -> tuple[Statement, ...]:
    return tuple(drawn_statements(range(6)))


def notes(statement: Statement, chooser: Random) -> tuple[Bill, list[Bill]]:
    """Return an invoice, and credit notes on single lines of it in any order, then on the rest."""
    ledger = Ledger()
    quote = ledger.close(statement)
    kept = ledger.invoice(quote)
    invoice = read_bill(kept.body)
    places = [line.line for line in invoice.lines]
    made = []
    for place in chooser.sample(places, k=len(places)):
        try:
            made.append(read_bill(ledger.credit(quote, kept, place).body))
        except NotCreditable:
            continue
    if sum(len(note.lines) for note in made) < len(places):
        made.append(read_bill(ledger.credit(quote, kept).body))
    # another can be made: nothing of the first is left
    ledger.invoice(quote)
    return invoice, made


@pytest.mark.parametrize("seed", range(3))
def test_credit_notes_give_back_exactly_the_invoice(
    statements: tuple[Statement, ...], seed: int
) -> None:
    for place, statement in enumerate(statements):
        invoice, made = notes(statement, Random(seed * 1_000 + place))

        given = 0
        for note in made:
            assert note.gross.money.minor >= 0
            given += note.gross.money.minor
            assert given <= invoice.gross.money.minor
        assert given == invoice.gross.money.minor
        assert sum(one.net.money.minor for one in made) == invoice.net.money.minor


def test_credit_note_without_an_item_has_lines(statements: tuple[Statement, ...]) -> None:
    schema = etree.XMLSchema(etree.parse(CARRIED / "maindoc" / "UBL-CreditNote-2.1.xsd"))
    found = 0
    for statement in statements:
        ledger = Ledger()
        quote = ledger.close(statement)
        kept = ledger.invoice(quote)
        for line in read_bill(kept.body).lines:
            if line.role != "charge":
                continue
            with suppress(NotCreditable):
                note = read_bill(ledger.credit(quote, kept, line.line).body)
                schema.assertValid(etree.fromstring(ubl_bill(note)))
                found += 1
    assert found


def left_of(invoice: Bill, made: list[Bill], place: int) -> Decimal:
    given = [one for note in made for one in note.lines if one.line == place]
    whole = next(one for one in invoice.lines if one.line == place)
    return Decimal(whole.net.amount) - sum(Decimal(one.net.amount) for one in given)


def a_portion(invoice: Bill, made: list[Bill], chooser: Random) -> Portion | None:
    """Return a part of some line of an invoice; None if nothing is left of the line."""
    line = chooser.choice(invoice.lines)
    left = abs(left_of(invoice, made, line.line))
    if not left:
        return None
    if line.role == "item" and chooser.random() < 0.6:
        return Portion(line=line.line, quantity=Decimal(line.quantity) * chooser.randint(1, 9) / 8)
    amount = Money.of(left, invoice.currency)
    return Portion(line=line.line, net=Money(chooser.randint(1, amount.minor), amount.currency))


@pytest.mark.parametrize("seed", range(4))
def test_parts_of_lines_add_up_to_the_invoice(statements: tuple[Statement, ...], seed: int) -> None:
    parts_made = 0
    for place, statement in enumerate(statements):
        chooser, ledger = Random(seed * 1_000 + place), Ledger()
        quote = ledger.close(statement)
        kept = ledger.invoice(quote)
        invoice, made = read_bill(kept.body), list[Bill]()
        for _ in range(12):
            portion = a_portion(invoice, made, chooser)
            if portion is not None:
                with suppress(NotCreditable):
                    made.append(read_bill(ledger.credit(quote, kept, portions=[portion]).body))
        parts_made += len(made)
        with suppress(NotCreditable):
            made.append(read_bill(ledger.credit(quote, kept).body))

        for line in invoice.lines:
            given = [one for note in made for one in note.lines if one.line == line.line]
            assert sum(one.net.money.minor for one in given) == line.net.money.minor
            assert sum(one.tax.money.minor for one in given) == line.tax.money.minor
            assert sum(one.gross.money.minor for one in given) == line.gross.money.minor
            for at, tax in enumerate(line.taxes):
                parts = [one.taxes[at] for one in given]
                assert sum(one.amount.money.minor for one in parts) == tax.amount.money.minor
                assert sum(one.base.money.minor for one in parts) == tax.base.money.minor
        for note in made:
            for one in note.lines:
                exact = Decimal(one.quantity) * Decimal(one.unit_price) / Decimal(one.base_quantity)
                half = Decimal("0.5").scaleb(-digits(invoice.currency))
                assert abs(abs(exact) - abs(Decimal(one.net.amount))) <= half
    assert parts_made > 2 * len(statements)


def refusal(ledger: Ledger, quote: KeptQuote, invoice: KeptBill, portion: Portion) -> str:
    with pytest.raises(NotCreditable) as refused:
        ledger.credit(quote, invoice, portions=[portion])
    return str(refused.value)


def test_no_more_is_given_back_of_a_line_than_is_left(statements: tuple[Statement, ...]) -> None:
    ledger = Ledger()
    quote = ledger.close(statements[0])
    kept = ledger.invoice(quote)
    invoice = read_bill(kept.body)
    line = next(one for one in invoice.lines if one.kind == "part")
    half = Portion(line=line.line, quantity=Decimal(line.quantity) / 2)
    first = read_bill(ledger.credit(quote, kept, portions=[half]).body)
    assert first.lines[0].unit == line.unit

    told = refusal(ledger, quote, kept, Portion(line=line.line, quantity=Decimal(line.quantity)))
    assert f"{first.lines[0].quantity} of it is left" in told
    net = Money(line.net.money.minor, invoice.currency)
    assert "of it is left" in refusal(ledger, quote, kept, Portion(line=line.line, net=net))
    nothing = Portion(line=line.line, quantity=Decimal(0))
    assert "of it is left" in refusal(ledger, quote, kept, nothing)
    second = read_bill(ledger.credit(quote, kept, portions=[half]).body)
    assert first.lines[0].net.money + second.lines[0].net.money == line.net.money
    assert "credited already" in refusal(ledger, quote, kept, half)
