"""Credit notes on lines of an invoice: together they never give back more than it, and all of it
can be given back.
"""

from contextlib import suppress
from random import Random

import pytest
from lxml import etree
from tests.documents.billing import Ledger, drawn_statements
from tests.documents.ubl_reader import CARRIED

from kitwright.documents.ubl_bill import ubl_bill
from kitwright.keeping.invoicing import NotCreditable
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
