"""Statements, invoices and credit notes of drawn offers, for tests of what is made from them."""

import asyncio
from collections.abc import Iterator, Sequence
from datetime import date
from decimal import Decimal
from fractions import Fraction
from random import Random

from msgspec import structs
from tests.documents.ubl_reader import drawn_quotes
from tests.stages.workbench import starter
from tests.store.memory import MemoryStore
from tests.store.small import STAMP, TODAY, a_handover, a_quote

from kitwright.catalogue.model import (
    AreaId,
    ChargeKind,
    Contact,
    LabourBasis,
    Rate,
    RoundBy,
    Rounding,
    RoundMode,
    Seller,
    TaxArea,
    TaxComponent,
)
from kitwright.keeping import accounts, crediting, invoicing
from kitwright.keeping.advancing import AdvanceWords
from kitwright.keeping.bill_lines import Portion
from kitwright.keeping.bill_parties import Asked, Selling
from kitwright.keeping.crediting import NotCreditable
from kitwright.keeping.link import LINK_SECRET
from kitwright.keeping.record import (
    Billing,
    Customer,
    KeptBill,
    KeptQuote,
    QuoteState,
    StorageFee,
)
from kitwright.keeping.store import Records
from kitwright.keeping.sums import Reckoning
from kitwright.keeping.waiting import StorageDue
from kitwright.language.render import Speaker
from kitwright.money import Money, digits
from kitwright.quote import Bill, Exemption, Quote, Statement, StoppedAt, read_bill
from kitwright.stages.billing import (
    AgreedLine,
    Clocked,
    CoreBack,
    Dealt,
    Minutes,
    Used,
    bill,
    bill_stopped,
)
from kitwright.stages.work_plan import part_of
from kitwright.telling.statement import agreed_lines, tell_statement
from kitwright.telling.stopped import tell_stopped_lines
from kitwright.telling.storage import tell_storage
from kitwright.units import read_figure

KINDS = tuple(kind for kind in ChargeKind if kind is not ChargeKind.discount)
SELLER = Seller(
    name="Mill Lane Engines",
    street="Mill Lane 4",
    city="Tollimoor",
    postcode="00042",
    region="Upland",
    country="DE",
    vat_id="DE999999999",
    tax_id="42/042/00042",
    registration="R 42",
    endpoint="bench@shop.example",
    endpoint_scheme="EM",
    account="DE00000000000000000042",
    account_name="Mill Lane Engines",
    due_days=14,
)
SELLING = Selling(
    name="Mill Lane",
    seller=SELLER,
    contact=Contact(telephone="+1 202-555-0143", email="bench@shop.example"),
    is_vat=True,
)
BILLING = Billing(
    street="Orchard Row 7",
    city="Brenhollow",
    country="AT",
    vat_id="ATU99999999",
    order_reference="PO-7",
)

WORDS = AdvanceWords(
    line="Payment in advance",
    deducted=lambda number, day: f"Deducted: {number} of {day.isoformat()}",
    not_due="Not due",
)


def a_customer(billing: Billing | None = BILLING) -> Customer:
    return Customer(
        number=1,
        version=1,
        name="Maud Ferrier & Daughters",
        email="maud@example.test",
        telephone="+1 202-555-0142",
        address=None,
        language=None,
        certificate_number=None,
        certificate_until=None,
        note=None,
        made_at=STAMP.at,
        erased_at=None,
        billing=billing,
    )


def a_vat(random: Random, currency: str) -> TaxArea:
    """Return the rules of a VAT with one to three rates, one of them for each kind."""
    rates = random.sample(["0", "5", "7.7", "10", "19", "20", "25.5"], k=random.randint(1, 3))
    kinds = list(KINDS)
    random.shuffle(kinds)
    by_rate = {rate: kinds[place :: len(rates)] for place, rate in enumerate(rates)}
    return TaxArea(
        id=AreaId("drawn-vat"),
        name="Drawn VAT",
        note="",
        currency=currency,
        prices_include_tax=random.random() < 0.5,
        rounding=Rounding(by=random.choice([*RoundBy]), mode=RoundMode.half_up),
        components=tuple(
            TaxComponent(
                id=f"vat-{place}",
                name=f"VAT {rate}",
                rates=(Rate(valid_from=date(2000, 1, 1), percent=read_figure(rate)),),
                applies_to=tuple(applies),
            )
            for place, (rate, applies) in enumerate(by_rate.items())
        ),
        untaxed=(),
        is_vat=True,
    )


def a_use(random: Random, lines: tuple[AgreedLine, ...]) -> Used:
    """Return a use that differs from what was agreed in some lines."""
    goods, clocked, cores = [], [], []
    unused = set[str]()
    for place, line in enumerate(lines, start=1):
        if random.random() < 0.6:
            continue
        if line.kind in ("part", "set", "consumable"):
            used = random.choice([Decimal(0), line.quantity, line.quantity * 2, line.quantity / 2])
            back = max(line.quantity - used, Decimal(0))
            goods.append(Dealt(line=place, used=used, to_shelf=back))
            if back:
                # no deposit is taken for them
                unused.add(line.code)
        elif line.kind == "labour" and line.unit == "MIN":
            clocked.append(Clocked(line=place, minutes=Decimal(random.randint(0, 240))))
        elif line.kind == "core" and line.code not in unused:
            cores.append(CoreBack(line=place, quantity=line.quantity))
    return Used(goods=tuple(goods), clocked=tuple(clocked), cores=tuple(cores))


def drawn_statements(shops: range, works: int = 2, terms: int = 4) -> Iterator[Statement]:
    """Yield statements of drawn quotes, billed by the rules of a drawn VAT, at last of some whose
    work was stopped.
    """
    stopped = []
    for seed, (_, quote) in enumerate(drawn_quotes(shops, works, terms)):
        currency = quote.shop.currency
        # EN 16931 knows no currency with three decimals
        if quote.totals.gross is not None and digits(currency) <= 2:
            yield a_statement(Random(seed), quote)
            if seed % 3 == 0 and quote.totals.gross.money.minor > 0:
                stopped.append(a_stopped_statement(Random(seed), quote))
    yield from stopped


def a_statement(random: Random, quote: Quote) -> Statement:
    """Return the statement of a quote that was used otherwise than agreed, under a drawn VAT."""
    lines = agreed_lines(quote)
    used = a_use(random, lines)
    area = a_vat(random, quote.shop.currency)
    exempt = frozenset[str](random.sample([*KINDS], k=2) if random.random() < 0.3 else ())
    basis = random.choice([*LabourBasis])
    billed = bill(lines, used, basis=basis, area=area, on=date(2026, 1, 1), exempt=exempt)
    exemption = Exemption(
        certificate_number="X-42", valid_until=TODAY, kinds=tuple(sorted(exempt)), spares=()
    )
    return tell_statement(
        structs.replace(quote, exemption=exemption if exempt else None),
        billed,
        used,
        quote_id="Q1",
        revision=1,
        supplied_on=TODAY,
        basis=basis,
        limit=Money(10**12, quote.shop.currency),
        limit_includes_tax=True,
    )


def a_stopped_statement(random: Random, quote: Quote) -> Statement:
    """Return the statement of a quote whose work was stopped, under a drawn VAT."""
    lines = agreed_lines(quote)
    area = a_vat(random, quote.shop.currency)
    due = {
        place: part_of(line.quantity, Fraction(random.randint(1, 3), 3))
        for place, line in enumerate(lines, start=1)
        if line.amount.minor > 0 and random.random() < 0.5
    }
    minutes = Minutes(labour_class="tech", minutes=random.randint(0, 200), rate=Decimal("78.00"))
    made = bill_stopped(lines, due, [minutes], most=None, area=area, on=date(2026, 1, 1))
    more = tell_stopped_lines(made.lines, Speaker(starter(), "en"), in_boxes=False)
    return tell_statement(
        structs.replace(quote, exemption=None, lines=(*quote.lines, *more)),
        made.billed,
        Used(),
        quote_id="Q1",
        revision=1,
        supplied_on=TODAY,
        basis=LabourBasis.flat,
        limit=Money(10**12, quote.shop.currency),
        limit_includes_tax=True,
        stopped=StoppedAt(before_step=3, step="Take off: head", machine="put_together"),
    )


def a_storage(random: Random, statement: Statement) -> StorageFee:
    """Return what was owed for storage, taxed by a drawn VAT of its own."""
    currency = statement.gross.currency
    days = random.randint(1, 90)
    due = StorageDue(
        per_day=Money(301, currency),
        most=None,
        free_until=TODAY,
        days=days,
        fee=Money(301 * days, currency),
    )
    rules = Reckoning(area=a_vat(random, currency), on=date(2026, 1, 1), exempt=(), cash_step=None)
    place = len(statement.lines) + 1
    return tell_storage(due, TODAY, rules, place=place, on=TODAY, language=statement.language)


class Ledger:
    """A store with one finished quote after the other, and what is made from their statements."""

    def __init__(self) -> None:
        self.store = MemoryStore({})
        self.stamp = STAMP
        asyncio.run(
            self.store.write(lambda records: records.keys.add_secret(LINK_SECRET, bytes(32)))
        )

    def close(self, statement: Statement) -> KeptQuote:
        def work(records: Records) -> KeptQuote:
            quote = records.quotes.add(
                a_quote(
                    state=QuoteState.done,
                    agreed=1,
                    net=statement.net.money,
                    gross=statement.gross.money,
                )
            )
            accounts.keep_statement(records, self.stamp, quote, statement, None)
            return quote

        return asyncio.run(self.store.write(work))

    def collect(self, quote: KeptQuote, storage: StorageFee) -> None:
        """Let the machine of a finished quote be collected."""
        taken = a_handover(quote.number, storage=storage)

        def work(records: Records) -> None:
            kept = records.quotes.get(quote.number)
            assert kept is not None
            accounts.collect(records, self.stamp, kept, taken, is_tagged=False)

        asyncio.run(self.store.write(work))

    def invoice(
        self, quote: KeptQuote, selling: Selling = SELLING, customer: Customer | None = None
    ) -> KeptBill:
        asked = Asked(customer=customer or a_customer())

        def work(records: Records) -> KeptBill:
            return invoicing.make_invoice(records, self.stamp, quote, selling, asked, WORDS)[1]

        return asyncio.run(self.store.write(work))

    def credit(
        self,
        quote: KeptQuote,
        invoice: KeptBill,
        *places: int,
        portions: Sequence[Portion] = (),
    ) -> KeptBill:
        def work(records: Records) -> KeptBill:
            return crediting.credit(
                records,
                self.stamp,
                quote,
                invoice,
                reason="Wrong address",
                places=places,
                portions=portions,
            )[1]

        return asyncio.run(self.store.write(work))


def drawn_bills(shops: range) -> Iterator[Bill]:
    """Yield invoices of drawn statements, and credit notes on all or a part of them."""
    ledger = Ledger()
    for seed, statement in enumerate(drawn_statements(shops)):
        quote = ledger.close(statement)
        if seed % 4 == 1:
            ledger.collect(quote, a_storage(Random(seed), statement))
        invoice = ledger.invoice(quote)
        made = read_bill(invoice.body)
        yield made
        if seed % 4 == 2:
            ledger.collect(quote, a_storage(Random(seed), statement))
            yield read_bill(ledger.invoice(quote).body)
        item = next(line for line in made.lines if line.role == "item")
        # of an invoice that discounts bring to less than a line, no part of that is given back
        is_enough = made.gross.money >= item.gross.money
        if seed % 3 == 0 and abs(item.net.money.minor) > 1 and is_enough:
            # a part of a line first, by its amount or by its quantity
            net = Money(abs(item.net.money.minor) // 2, made.currency)
            half = Portion(line=item.line, quantity=Decimal(item.quantity) / 2)
            part = half if seed % 2 else Portion(line=item.line, net=net)
            yield read_bill(ledger.credit(quote, invoice, portions=[part]).body)
        some = [line.line for line in made.lines][-seed % 5 :][:2] if seed % 2 else []
        try:
            note = ledger.credit(quote, invoice, *some)
        except NotCreditable:
            note = ledger.credit(quote, invoice)
        yield read_bill(note.body)
