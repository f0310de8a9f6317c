"""Visits of drawn offers of which a part is paid in advance, and the documents made for them."""

import asyncio
from collections.abc import Callable, Iterator
from datetime import date
from random import Random
from typing import NamedTuple, TypeVar

from msgspec import structs
from tests.documents.billing import (
    KINDS,
    SELLING,
    WORDS,
    Ledger,
    a_customer,
    a_use,
    a_vat,
)
from tests.documents.ubl_reader import drawn_quotes
from tests.store.small import STAMP, TODAY, a_payment, a_quote

from kitwright.catalogue.model import LabourBasis
from kitwright.keeping import accounts, paying
from kitwright.keeping.advancing import credit_undue, invoice_advance
from kitwright.keeping.bill_parties import Asked
from kitwright.keeping.invoicing import NothingToInvoice
from kitwright.keeping.record import KeptBill, KeptQuote, QuoteState
from kitwright.keeping.store import Records
from kitwright.language.scribe import Scribe
from kitwright.money import Money, digits
from kitwright.quote import Bill, Exemption, Quote, Statement, amount_of, known, read_bill
from kitwright.stages.billing import Billed, Used, bill
from kitwright.telling.price import tell_line_taxes, tell_taxes
from kitwright.telling.statement import agreed_lines, tell_statement

T = TypeVar("T")


class Visit(NamedTuple):
    """What was agreed, under a drawn VAT, and the statement of what was used."""

    agreed: Quote
    statement: Statement


def drawn_visits(shops: range) -> Iterator[Visit]:
    """Yield visits of drawn quotes that come to something."""
    for seed, (_, quote) in enumerate(drawn_quotes(shops)):
        gross = quote.totals.gross
        if gross is not None and digits(quote.shop.currency) <= 2 and gross.money.minor > 0:
            visit = a_visit(Random(seed), quote)
            if known(visit.agreed.totals.gross).minor > 10:
                yield visit


def a_visit(random: Random, quote: Quote) -> Visit:
    area = a_vat(random, quote.shop.currency)
    exempt = frozenset[str](random.sample([*KINDS], k=2) if random.random() < 0.3 else ())
    lines, text = agreed_lines(quote), Scribe(quote.language).text
    exemption = Exemption(
        certificate_number="X-42", valid_until=TODAY, kinds=tuple(sorted(exempt)), spares=()
    )

    def billed_by(used: Used) -> Billed:
        basis = LabourBasis.flat
        return bill(lines, used, basis=basis, area=area, on=date(2026, 1, 1), exempt=exempt)

    plain = billed_by(Used())
    taxed = plain.taxed
    agreed = structs.replace(
        quote,
        exemption=exemption if exempt else None,
        lines=tuple(
            structs.replace(
                line,
                net=amount_of(tax.net),
                tax=amount_of(tax.tax),
                gross=amount_of(tax.gross),
                taxes=tell_line_taxes(one.taxes, text),
            )
            for line, one, tax in zip(quote.lines, plain.lines, taxed.lines, strict=True)
        ),
        taxes=tell_taxes(taxed.taxes, text),
        totals=structs.replace(
            quote.totals,
            net=amount_of(taxed.net),
            gross=amount_of(taxed.gross),
            prepaid=amount_of(Money(0, quote.shop.currency)),
        ),
    )
    used = a_use(random, lines)
    statement = tell_statement(
        agreed,
        billed_by(used),
        used,
        quote_id="Q1",
        revision=1,
        supplied_on=TODAY,
        basis=LabourBasis.flat,
        limit=Money(10**12, quote.shop.currency),
        limit_includes_tax=True,
    )
    return Visit(agreed, statement)


class AdvanceLedger(Ledger):
    """A ledger of visits that are paid in advance."""

    def write(self, work: Callable[[Records], T]) -> T:
        return asyncio.run(self.store.write(work))

    def agree(self, visit: Visit) -> KeptQuote:
        totals = visit.agreed.totals
        agreed = a_quote(
            state=QuoteState.accepted,
            agreed=1,
            net=known(totals.net),
            gross=known(totals.gross),
        )
        return self.write(lambda records: records.quotes.add(agreed))

    def advance(self, quote: KeptQuote, visit: Visit, minor: int) -> tuple[KeptQuote, KeptBill]:
        def work(records: Records) -> tuple[KeptQuote, KeptBill]:
            payment = a_payment(quote.number, amount=Money(minor, quote.net.currency))
            paid, kept = paying.pay(records, STAMP, quote, payment)
            asked = Asked(customer=a_customer())
            return invoice_advance(records, STAMP, paid, kept, visit.agreed, SELLING, asked, WORDS)

        return self.write(work)

    def pay(self, quote: KeptQuote, minor: int) -> KeptQuote:
        payment = a_payment(quote.number, amount=Money(minor, quote.net.currency), means="card")
        return self.write(lambda records: paying.pay(records, STAMP, quote, payment)[0])

    def finish(self, quote: KeptQuote, statement: Statement | None) -> KeptQuote:
        """End a visit, with a statement or by a withdrawal."""

        def work(records: Records) -> KeptQuote:
            state = QuoteState.withdrawn if statement is None else QuoteState.done
            ended = structs.replace(quote, state=state)
            records.quotes.put(ended)
            if statement is not None:
                accounts.keep_statement(records, STAMP, ended, statement, None)
            return credit_undue(records, STAMP, ended, statement, WORDS)

        return self.write(work)

    def bills(self, quote: KeptQuote) -> list[KeptBill]:
        return [*self.store.read(lambda records: records.bills.of_quote(quote.number))]


def drawn_advance_bills(shops: range) -> Iterator[Bill]:
    """Yield all documents of drawn visits with an advance or two."""
    for seed, visit in enumerate(drawn_visits(shops)):
        random, ledger = Random(seed), AdvanceLedger()
        quote = ledger.agree(visit)
        most = known(visit.agreed.totals.gross).minor
        for share in random.choice(((0.3,), (0.5, 0.2), (1.0,), (0.05, 0.9))):
            quote, _ = ledger.advance(quote, visit, max(1, int(most * share)))
        quote = ledger.finish(quote, visit.statement)
        try:
            final = ledger.invoice(quote)
        except NothingToInvoice:
            final = None
        if final is not None and seed % 3 == 0:
            ledger.credit(quote, final)
        yield from (read_bill(one.body) for one in ledger.bills(quote))
