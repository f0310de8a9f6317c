"""Small records: one of each kind, with whatever a test says of it."""

from __future__ import annotations

import hashlib
from datetime import UTC, date, datetime, timedelta

import msgspec
from msgspec import structs
from tests.small_quote import small_quote

from kitwright.catalogue.model import (
    AreaId,
    ChargeKind,
    Quality,
    Rate,
    RoundBy,
    Rounding,
    RoundMode,
    TaxArea,
    TaxComponent,
)
from kitwright.keeping.aftercare import Claim, ClaimState, KeptComeBack, Notice, NoticeWay
from kitwright.keeping.key import Scope
from kitwright.keeping.ledger import UNIT, Holding, Move, MoveKind, Owner
from kitwright.keeping.record import (
    Addition,
    Allocation,
    Authorisation,
    BillKind,
    ClockEntry,
    ClockKind,
    Customer,
    Erasure,
    ErasureStage,
    EstimateEntry,
    EstimateKind,
    Event,
    Hand,
    Handover,
    Hook,
    KeptAnswer,
    KeptBill,
    KeptCatalogue,
    KeptOrder,
    KeptQuote,
    KeptStatement,
    KeyRecord,
    Machine,
    Mail,
    MailState,
    Means,
    OrderEntry,
    OrderState,
    OwnEstimates,
    OwnMinutes,
    OwnOdds,
    Payment,
    Phase,
    Photo,
    QuoteState,
    Retention,
    RetentionWhy,
    Revision,
    RevisionState,
    Stamp,
    StorageFee,
    StorageTerms,
    Ticket,
)
from kitwright.keeping.store import Records
from kitwright.keeping.sums import Reckoning, written_reckoning
from kitwright.money import Money
from kitwright.quote import Amount, encode_quote
from kitwright.tax import Charge
from kitwright.units import Figure

NOON = datetime(2027, 3, 1, 12, 0, 0, 250, tzinfo=UTC)
TODAY = date(2027, 3, 1)
HOUR = timedelta(hours=1)
DAY = timedelta(days=1)
USD = "USD"
AREA = TaxArea(
    id=AreaId("small-place"),
    name="A small place",
    note="Invented.",
    currency=USD,
    prices_include_tax=False,
    rounding=Rounding(by=RoundBy.document, mode=RoundMode.half_up),
    components=(
        TaxComponent(
            id="sales",
            name="Sales tax",
            rates=(Rate(valid_from=date(2020, 1, 1), percent=Figure("8.25")),),
            applies_to=(ChargeKind.part,),
        ),
    ),
    untaxed=tuple(kind for kind in ChargeKind if kind is not ChargeKind.part),
)
RECKONING = written_reckoning(Reckoning(area=AREA, on=TODAY, exempt=(), cash_step=None))


ANSWER = encode_quote(small_quote(AREA, [Charge("part", Money(10_000, USD))], TODAY))
SHOWN = b'{"lines": ["shown"]}'
STAMP = Stamp(at=NOON, today=TODAY, hand=Hand.key, by="k1", request_id="r-1")


def a_quote(**said: object) -> KeptQuote:
    plain = KeptQuote(
        number=0,
        version=1,
        state=QuoteState.draft,
        latest=1,
        offered=None,
        agreed=None,
        shown=1,
        customer=None,
        machine=None,
        family="QM-H27",
        serial=None,
        net=Money(10000, USD),
        gross=Money(10825, USD),
        valid_until=TODAY + 14 * DAY,
        made_at=NOON,
        made_on=TODAY,
        changed_at=NOON,
    )
    shown = said.get("agreed") or said.get("offered") or said.get("latest", 1)
    return structs.replace(plain, **{"shown": shown, **said})


def a_revision(quote: int, number: int = 1, **said: object) -> Revision:
    plain = Revision(
        quote=quote,
        number=number,
        state=RevisionState.draft,
        customer=None,
        machine=None,
        made_at=NOON,
        issued_at=None,
        valid_until=TODAY + 14 * DAY,
        catalogue_revision="c-1",
        tax_state="known",
        is_provisional=False,
        net=Money(10000, USD),
        gross=Money(10825, USD),
        sha256=None,
        is_erased=False,
        request=b'{"family": "QM-H27"}',
        answer=ANSWER,
        reckoning=RECKONING,
        shown=SHOWN,
    )
    return structs.replace(plain, **said)


def an_issued_revision(quote: int, number: int = 1, **said: object) -> Revision:
    issued = {
        "state": RevisionState.issued,
        "issued_at": NOON,
        "sha256": hashlib.sha256(SHOWN).hexdigest(),
    }
    return a_revision(quote, number, **{**issued, **said})


def a_customer(name: str = "Ada Okafor", **said: object) -> Customer:
    plain = Customer(
        number=0,
        version=1,
        name=name,
        email="ada@example.org",
        telephone="+1 555 0100",
        address="1 Example Street",
        language="en",
        certificate_number="E-1",
        certificate_until=TODAY + 365 * DAY,
        note="rings twice",
        made_at=NOON,
        erased_at=None,
    )
    return structs.replace(plain, **said)


def a_machine(name: str = "Green tractor", **said: object) -> Machine:
    plain = Machine(
        number=0,
        version=1,
        customer=None,
        name=name,
        family="QM-H27",
        serial=2140077,
        build_code="B1",
        chassis="PW-G5",
        plate={"model": "H27", "type": "0110"},
        hours="310.5",
        note="no key",
        made_at=NOON,
        erased_at=None,
    )
    return structs.replace(plain, **said)


def an_authorisation(quote: int, revision: int = 1, **said: object) -> Authorisation:
    plain = Authorisation(
        quote=quote,
        revision=revision,
        at=NOON + HOUR,
        who="Ada Okafor",
        means=Means.telephone,
        contact="+1 555 0100",
        amount=Money(10825, USD),
        limit=Money(11908, USD),
        includes_tax=True,
        text="I agree.",
        sha256="0" * 64,
    )
    return structs.replace(plain, **said)


def an_addition(quote: int, **said: object) -> Addition:
    plain = Addition(
        quote=quote,
        number=0,
        revision=1,
        at=NOON + 2 * HOUR,
        day=TODAY,
        description="a new fuel line",
        kind="part",
        tax_kind="part",
        price=Money(831, USD),
        net=Money(831, USD),
        amount=Money(900, USD),
    )
    return structs.replace(plain, **said)


def an_order(quote: int | None, revision: int | None = 1, **said: object) -> KeptOrder:
    plain = KeptOrder(
        number=0,
        version=1,
        state=OrderState.draft,
        quote=quote,
        revision=revision,
        supplier="north",
        net=Money(4200, USD),
        made_at=NOON,
        body=b'{"lines": []}',
    )
    return structs.replace(plain, **said)


def an_allocation(order: int, quote: int, revision: int = 1, **said: object) -> Allocation:
    plain = Allocation(
        order=order,
        quote=quote,
        revision=revision,
        goods=Money(4000, USD),
        fees=Money(0, USD),
        freight=Money(200, USD),
        lines=b"[]",
    )
    return structs.replace(plain, **said)


def an_entry(order: int, **said: object) -> OrderEntry:
    plain = OrderEntry(
        order=order,
        number=0,
        kind="sent",
        at=NOON,
        day=TODAY,
        who="Owner",
        hand=Hand.key,
        by="k1",
        body=b'{"type":"sent","means":"portal","number":"S-7"}',
    )
    return structs.replace(plain, **said)


def a_statement(quote: int, **said: object) -> KeptStatement:
    plain = KeptStatement(
        quote=quote,
        at=NOON,
        day=TODAY,
        net=Money(10000, USD),
        gross=Money(10825, USD),
        who="R. Example",
        sha256="ab" * 32,
        body=b"{}",
    )
    return structs.replace(plain, **said)


def a_payment(quote: int, **said: object) -> Payment:
    plain = Payment(
        quote=quote,
        number=0,
        at=NOON,
        day=TODAY,
        amount=Money(5000, USD),
        rounding=Money(0, USD),
        means="cash",
        reference=None,
        who="R. Example",
    )
    return structs.replace(plain, **said)


def a_handover(quote: int, **said: object) -> Handover:
    plain = Handover(
        quote=quote,
        at=NOON,
        day=TODAY,
        collector="A. Example",
        old_parts=True,
        is_unsafe=False,
        balance=Money(0, USD),
        who="R. Example",
        storage=StorageFee(
            free_until=TODAY, days=2, fee=Amount(amount="6.00", currency=USD), waived="It rained."
        ),
    )
    return structs.replace(plain, **said)


def a_bill(quote: int, **said: object) -> KeptBill:
    plain = KeptBill(
        number=0,
        series="I1",
        place=1,
        kind=BillKind.invoice,
        quote=quote,
        credited_series=None,
        credited_place=None,
        at=NOON,
        day=TODAY,
        net=Money(10000, USD),
        gross=Money(10825, USD),
        sha256="cd" * 32,
        body=b"{}",
    )
    return structs.replace(plain, **said)


def a_come_back(quote: int, visit: int, **said: object) -> KeptComeBack:
    plain = KeptComeBack(
        quote=quote,
        visit=visit,
        day=TODAY,
        cause="part",
        ground="part-in-time",
        jobs=("J-LASH",),
        part="G-1",
        reason="It leaks again.",
        who="R. Okafor",
        at=NOON,
    )
    return structs.replace(plain, **said)


def a_claim(quote: int, visit: int, **said: object) -> Claim:
    plain = Claim(
        number=0,
        version=1,
        quote=quote,
        visit=visit,
        part="G-1",
        pieces=1,
        supplier="ALDQ",
        order=None,
        line=None,
        sku="AQ-G1",
        received_on=TODAY,
        cost=Money(1250, USD),
        fitted_on=TODAY,
        failed_on=TODAY,
        hours_fitted="112.5",
        hours_failed=None,
        due_on=TODAY,
        state=ClaimState.open,
        what="It leaks again.",
        sent_on=None,
        reference=None,
        answered_on=None,
        credit=None,
        reason=None,
        who="R. Okafor",
        made_at=NOON,
    )
    return structs.replace(plain, **said)


def a_notice(quote: int, **said: object) -> Notice:
    plain = Notice(
        quote=quote,
        number=0,
        at=NOON,
        day=TODAY,
        way=NoticeWay.letter,
        who="R. Okafor",
        hand=Hand.key,
        by="k1",
    )
    return structs.replace(plain, **said)


def a_clock_entry(quote: int, **said: object) -> ClockEntry:
    plain = ClockEntry(
        quote=quote,
        number=0,
        kind=ClockKind.started,
        at=NOON,
        day=TODAY,
        who="R. Okafor",
        hand=Hand.key,
        by="k1",
        phase=Phase.work,
        step="J-LASH",
        moment=NOON,
    )
    return structs.replace(plain, **said)


def a_catalogue(revision: str = "c" * 64) -> KeptCatalogue:
    return KeptCatalogue(revision=revision, at=NOON, body=b"a catalogue")


def an_estimate_entry(**said: object) -> EstimateEntry:
    plain = EstimateEntry(
        number=0,
        kind=EstimateKind.applied,
        at=NOON,
        hand=Hand.key,
        by="k1",
        since=TODAY,
        figures=OwnEstimates(
            minutes=(
                OwnMinutes(family="QM-H27", group="work", labour_class="tech", factor="1.25"),
            ),
            odds=(OwnOdds(contingency="C-STUD", factor="2"),),
        ),
    )
    return structs.replace(plain, **said)


def a_photo(quote: int | None, **said: object) -> Photo:
    plain = Photo(
        number=0,
        quote=quote,
        sha256=hashlib.sha256(b"photo").hexdigest(),
        media_type="image/jpeg",
        size=5,
        subject="finding",
        code="HG-GALLERY",
        cylinder=1,
        made_at=NOON,
    )
    return structs.replace(plain, **said)


def a_ticket(customer: int, machine: int, **said: object) -> Ticket:
    plain = Ticket(
        number=0,
        version=1,
        customer=customer,
        machine=machine,
        brought_by="Sam",
        accessories=("key", "hose"),
        complaint="Loses power.",
        fee=Money(8500, USD),
        most=None,
        old_parts=True,
        language="en",
        terms=("Storage is free.",),
        sha256="5f2b" * 16,
        made_at=NOON,
        day=TODAY,
        storage=StorageTerms(grace_days=14, per_day=Amount(amount="3.00", currency=USD), most=None),
    )
    return structs.replace(plain, **said)


def a_mail(quote: int | None, revision: int | None = 1, **said: object) -> Mail:
    plain = Mail(
        number=0,
        quote=quote,
        revision=revision,
        to="a.customer@example.org",
        message_id="<m1@shop.example>",
        body=b"Subject: Quote\r\n\r\nHere it is.\r\n",
        state=MailState.queued,
        attempts=0,
        next_at=NOON,
        failure=None,
        made_at=NOON,
        sent_at=None,
    )
    return structs.replace(plain, **said)


def a_key(id: str = "k1", **said: object) -> KeyRecord:  # noqa: A002 - the word of the record
    plain = KeyRecord(
        id=id,
        name="counter",
        scopes=frozenset({Scope.QUOTE, Scope.READ}),
        hash=bytes(range(32)),
        made_at=NOON,
        last_used_on=None,
        revoked_at=None,
    )
    return structs.replace(plain, **said)


def a_holding(item: str = "G-1", **said: object) -> Holding:
    plain = Holding(
        item=item, quality=Quality.maker, brand="Maker", bin="A1", owner=Owner.shop, quote=None
    )
    return structs.replace(plain, **said)


def a_move(holding: int, *, worth: int = 300, **said: object) -> Move:
    plain = Move(
        holding=holding,
        kind=MoveKind.receive,
        quote=None,
        stock=3 * UNIT,
        promised=0,
        worth=Money(worth, USD),
        on_hand=3 * UNIT,
        reserved=0,
        value=Money(300, USD),
        is_doubtful=False,
        reason="delivered",
        who="Owner",
        hand=Hand.key,
        by="k1",
        at=NOON,
        day=TODAY,
    )
    return structs.replace(plain, **said)


def an_event(kind: str = "quote.created", **said: object) -> Event:
    plain = Event(
        seq=0,
        at=NOON,
        kind=kind,
        subject="quote:1",
        facts={"state": "draft", "version": 1, "reason": None},
        hand=Hand.key,
        by="k1",
        request_id="r-1",
    )
    return structs.replace(plain, **said)


def a_hook(**said: object) -> Hook:
    plain = Hook(
        number=0,
        version=1,
        url="https://hooks.example.org/quotes",
        secret="whsec_c2VjcmV0",
        kinds=(),
        is_active=True,
        failure=None,
        made_at=NOON,
    )
    return structs.replace(plain, **said)


def an_answer(idempotency_key: str = "once", **said: object) -> KeptAnswer:
    plain = KeptAnswer(
        key="k1",
        idempotency_key=idempotency_key,
        fingerprint=b"\x00\xff",
        status=201,
        headers={"ETag": '"1"'},
        body=b'{"number": 1}',
        expires_at=NOON + DAY,
    )
    return structs.replace(plain, **said)


def an_erasure(customer: int, **said: object) -> Erasure:
    plain = Erasure(
        number=0,
        customer=customer,
        email="zoe@example.org",
        at=NOON,
        today=TODAY,
        hand=Hand.key,
        by="k1",
        request_id="r-1",
        stage=ErasureStage.quotes,
        place=0,
        counts={},
    )
    return structs.replace(plain, **said)


def a_retention(customer: int, quote: int, **said: object) -> Retention:
    plain = Retention(
        number=0,
        customer=customer,
        quote=quote,
        why=RetentionWhy.invoices,
        until=TODAY,
        at=NOON,
    )
    return structs.replace(plain, **said)


def figures(*, serial: object = None, **said: object) -> Revision:
    request = msgspec.json.encode({"family": "QM-H27", "serial": serial})
    return a_revision(0, 0, **{"request": request, "shown": b"", **said})


def keep_issued(records: Records, **said: object) -> KeptQuote:
    """Return a kept quote whose only revision is offered."""
    quote = records.quotes.add(a_quote(state=QuoteState.issued, offered=1, **said))
    records.revisions.add(an_issued_revision(quote.number, valid_until=quote.valid_until))
    return quote
