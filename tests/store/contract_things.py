"""The contract of a store: orders, photographs, mails, keys and answers."""

from __future__ import annotations

from datetime import timedelta
from functools import partial

import pytest
from msgspec import structs
from tests.store.asking import OpenStore, kept
from tests.store.small import (
    DAY,
    HOUR,
    NOON,
    TODAY,
    USD,
    a_bill,
    a_catalogue,
    a_claim,
    a_clock_entry,
    a_come_back,
    a_customer,
    a_handover,
    a_key,
    a_machine,
    a_mail,
    a_notice,
    a_payment,
    a_photo,
    a_quote,
    a_retention,
    a_statement,
    a_ticket,
    an_addition,
    an_allocation,
    an_answer,
    an_authorisation,
    an_entry,
    an_erasure,
    an_estimate_entry,
    an_order,
    keep_issued,
)

from kitwright.keeping.aftercare import Claim, ClaimState, NoticeWay
from kitwright.keeping.record import (
    BillKind,
    ClockKind,
    Disposal,
    DisposalKind,
    EstimateKind,
    KeptCatalogue,
    KeptQuote,
    MailState,
    Means,
    OrderState,
    RevisionState,
    Ticket,
    Waiting,
)
from kitwright.keeping.store import (
    RecordConflict,
    RecordMissing,
    Records,
    Store,
)
from kitwright.money import Money


def add_answer(records: Records, name: str) -> None:
    records.answers.add(an_answer(name), NOON)


def keep_catalogue(records: Records, revision: str) -> KeptCatalogue:
    return records.catalogues.add(a_catalogue(revision))


class ThingsContract:
    """Orders, photographs, mails, keys and answers."""

    @pytest.fixture
    def store(self, open_store: OpenStore) -> Store:
        return open_store()

    def test_orders_are_kept_and_found(self, store: Store) -> None:
        def work(records: Records) -> None:
            for _ in range(2):
                quote = keep_issued(records).number
                for order in (an_order(quote), an_order(quote, supplier="sou\x00th")):
                    added = records.orders.add(order)
                    records.allocations.add(an_allocation(added.number, quote))

        kept(store, work)

        def numbers(
            quote: int | None, supplier: str | None, before: int | None, most: int
        ) -> list[int]:
            found = store.read(lambda r: r.orders.find(quote, supplier, before, most))
            return [order.number for order in found]

        assert numbers(None, None, None, 3) == [4, 3, 2]
        assert numbers(1, None, None, 9) == [2, 1]
        assert numbers(None, "sou\x00th", None, 9) == [4, 2]
        assert numbers(None, "south", None, 9) == []
        assert numbers(2, "north", 4, 9) == [3]
        assert store.read(lambda records: records.orders.get(3)) == an_order(2, number=3)
        assert store.read(lambda records: records.orders.get(5)) is None
        # a shortage needs another order from the same supplier
        assert kept(store, lambda records: records.orders.add(an_order(1))).number == 5
        with pytest.raises(RecordConflict):
            kept(store, lambda records: records.orders.add(an_order(1, 2)))

    def test_put_order_replaces_it(self, store: Store) -> None:
        kept(store, keep_issued)
        order = kept(store, lambda records: records.orders.add(an_order(1)))
        changed = structs.replace(order, version=2, body=b"other")

        kept(store, lambda records: records.orders.put(changed))

        assert store.read(lambda records: records.orders.get(1)) == changed
        with pytest.raises(RecordMissing):
            kept(store, lambda records: records.orders.put(an_order(1, number=2)))

    def test_orders_for_several_quotes_are_found_by_each(self, store: Store) -> None:
        def work(records: Records) -> None:
            quotes = [keep_issued(records).number for _ in range(3)]
            for of_order in ((3, 1), (2,)):
                order = records.orders.add(an_order(None, None))
                for quote in of_order:
                    goods = an_allocation(order.number, quotes[quote - 1], lines=b"[%d]" % quote)
                    records.allocations.add(goods)

        kept(store, work)

        def numbers(quote: int, state: OrderState | None = None) -> list[int]:
            found = store.read(lambda r: r.orders.find(quote, "north", None, 9, state))
            return [order.number for order in found]

        assert [numbers(quote) for quote in (1, 2, 3)] == [[1], [2], [1]]
        assert numbers(1, OrderState.draft) == [1]
        assert numbers(1, OrderState.sent) == []
        assert store.read(lambda r: r.orders.find(None, None, None, 9, OrderState.sent)) == ()
        found = store.read(lambda records: records.allocations.of_order(1))
        # as they were added, which is how goods are given out
        assert found == (an_allocation(1, 3, lines=b"[3]"), an_allocation(1, 1, lines=b"[1]"))
        assert store.read(lambda records: records.orders.get(1)) == (an_order(None, None, number=1))
        for wrong in (an_allocation(1, 3), an_allocation(9, 1), an_allocation(1, 2, 7)):
            with pytest.raises(RecordConflict):
                kept(store, partial(lambda one, records: records.allocations.add(one), wrong))

    def test_entries_are_kept_in_order_within_their_order(self, store: Store) -> None:
        def work(records: Records) -> list[int]:
            quote = keep_issued(records).number
            orders = [records.orders.add(an_order(quote)).number for _ in range(2)]
            entries = [an_entry(orders[place], body=b"%d" % place) for place in (0, 1, 0)]
            return [records.order_entries.add(one).number for one in entries]

        assert kept(store, work) == [1, 1, 2]
        assert store.read(lambda records: records.order_entries.of_order(1)) == (
            an_entry(1, number=1, body=b"0"),
            an_entry(1, number=2, body=b"0"),
        )
        with pytest.raises(RecordConflict):
            kept(store, lambda records: records.order_entries.add(an_entry(9)))

    def test_payments_are_kept_within_their_quote(self, store: Store) -> None:
        kept(store, keep_issued)
        added = [kept(store, lambda records: records.payments.add(a_payment(1))) for _ in "12"]

        assert [one.number for one in added] == [1, 2]
        assert store.read(lambda records: records.payments.of_quote(1)) == tuple(added)
        with pytest.raises(RecordConflict):
            kept(store, lambda records: records.payments.add(a_payment(9)))

    def test_statement_and_handover_are_one_for_each_quote(self, store: Store) -> None:
        kept(store, keep_issued)
        statement = kept(store, lambda records: records.statements.add(a_statement(1)))
        handover = kept(store, lambda records: records.handovers.add(a_handover(1)))

        assert store.read(lambda records: records.statements.get(1)) == statement
        assert store.read(lambda records: records.handovers.get(1)) == handover
        left = structs.replace(statement, is_erased=True, body=b"[]")
        kept(store, lambda records: records.statements.put(left))
        assert store.read(lambda records: records.statements.get(1)) == left
        other = a_handover(1, collector="nobody")
        kept(store, lambda records: records.handovers.put(other))
        assert store.read(lambda records: records.handovers.get(1)) == other
        for again in (
            lambda records: records.statements.add(a_statement(1)),
            lambda records: records.handovers.add(a_handover(1)),
        ):
            with pytest.raises(RecordConflict):
                kept(store, again)

    def test_bills_of_a_series_have_no_gaps(self, store: Store) -> None:
        kept(store, keep_issued)
        kept(store, lambda records: records.statements.add(a_statement(1)))
        first = kept(store, lambda records: records.bills.add(a_bill(1)))
        for place in (1, 3):
            bill = a_bill(1, place=place)
            with pytest.raises(RecordConflict):
                kept(store, partial(lambda one, records: records.bills.add(one), bill))
        other = a_bill(
            1, series="C1", kind=BillKind.credit_note, credited_series="I1", credited_place=1
        )
        second = kept(store, lambda records: records.bills.add(other))

        def read(records: Records) -> None:
            assert records.bills.find(None, 9) == (second, first)
            assert records.bills.find(second.number, 9) == (first,)
            assert records.bills.of_quote(1) == (first, second)
            assert records.bills.quotes_billed(1) == ()
            assert records.bills.series() == (("I1", 1), ("C1", 1))
            assert (records.bills.last("I1"), records.bills.last("I2")) == (1, 0)
            assert records.bills.named("I1", 1) == first == records.bills.get(first.number)
            assert records.bills.named("I1", 2) is None

        store.read(read)
        # one that is entered from its copy may come late
        entered = a_bill(1, series="I0", place=7, entered_at=NOON)
        kept(store, lambda records: records.bills.add(entered))
        again = a_bill(1, series="I0", place=3, entered_at=NOON)
        kept(store, lambda records: records.bills.add(again))
        assert store.read(lambda records: records.bills.places("I0")) == (3, 7)
        with pytest.raises(RecordConflict):
            kept(store, lambda records: records.bills.add(again))
        bare = structs.replace(first, body=b"{ }", erased_at=NOON)
        kept(store, lambda records: records.bills.put(bare))
        assert store.read(lambda records: records.bills.named("I1", 1)) == bare
        every = store.read(lambda records: records.bills.of_quote(1))
        assert store.read(lambda records: records.bills.sound_of_quote(1)) == every != ()

    def test_tickets_are_kept_whole_and_found_by_customer_and_machine(self, store: Store) -> None:
        kept(store, lambda records: records.customers.add(a_customer("A")))
        kept(store, lambda records: records.customers.add(a_customer("B")))
        kept(store, lambda records: records.machines.add(a_machine(customer=1)))
        given = (
            a_ticket(1, 1),
            a_ticket(2, 1, most=Money(9000, USD), brought_by=None, accessories=()),
            a_ticket(1, 1, agreed_at=NOON, agreed_by="A", means=Means.link),
        )
        for one in given:
            kept(store, partial(lambda ticket, records: records.tickets.add(ticket), one))
        first, second, third = (
            structs.replace(one, number=number) for number, one in enumerate(given, start=1)
        )

        def found(*asked: int | None) -> tuple[Ticket, ...]:
            return store.read(lambda records: records.tickets.find(*asked))  # type: ignore[arg-type]

        assert found(None, None, None, 9) == (third, second, first)
        assert found(1, None, None, 9) == (third, first)
        assert found(None, 1, 3, 1) == (second,)
        assert store.read(lambda records: records.tickets.get(2)) == second
        agreed = structs.replace(first, version=2, agreed_at=NOON, agreed_by="A")
        kept(store, lambda records: records.tickets.put(agreed))
        assert store.read(lambda records: records.tickets.get(1)) == agreed
        with pytest.raises(RecordConflict):
            kept(store, lambda records: records.tickets.add(a_ticket(9, 1)))

    def test_quotes_and_photos_are_found_by_fleet_and_ticket(self, store: Store) -> None:
        kept(store, lambda records: records.customers.add(a_customer("A")))
        kept(store, lambda records: records.machines.add(a_machine(customer=1)))
        kept(store, lambda records: records.tickets.add(a_ticket(1, 1)))
        kept(store, lambda records: records.quotes.add(a_quote()))
        for _ in range(2):
            kept(store, lambda records: records.quotes.add(a_quote(fleet=1, ticket=1)))
        kept(store, lambda records: records.photos.add(a_photo(1)))
        photo = kept(store, lambda records: records.photos.add(a_photo(None, ticket=1)))

        def numbers(quotes: tuple[KeptQuote, ...]) -> list[int]:
            return [one.number for one in quotes]

        assert store.read(lambda r: numbers(r.quotes.of_fleet(1))) == [2, 3]
        assert store.read(lambda r: numbers(r.quotes.of_ticket(1))) == [2, 3]
        assert store.read(lambda r: r.quotes.of_fleet(2)) == ()
        assert store.read(lambda r: r.photos.of_ticket(1)) == (photo,)
        with pytest.raises(RecordConflict):
            kept(store, lambda records: records.quotes.add(a_quote(ticket=9)))

    def test_catalogues_are_kept_while_something_is_made_with_them(self, store: Store) -> None:
        quote = kept(store, keep_issued)
        revision = store.read(lambda records: records.revisions.get(quote.number, 1))
        assert revision is not None
        used = revision.catalogue_revision
        for one in (used, "c" * 64):
            kept(store, partial(keep_catalogue, revision=one))
        with pytest.raises(RecordConflict):
            kept(store, partial(keep_catalogue, revision=used))

        kept(store, lambda records: records.catalogues.drop_unused())
        assert store.read(lambda records: records.catalogues.get(used)) == a_catalogue(used)
        assert store.read(lambda records: records.catalogues.get("c" * 64)) is None

        def end(records: Records) -> None:
            records.revisions.mark(quote.number, revision.number, RevisionState.withdrawn)
            records.catalogues.drop_unused()

        kept(store, end)
        assert store.read(lambda records: records.catalogues.get(used)) is None

    def test_entries_of_the_estimates_are_kept_in_order(self, store: Store) -> None:
        first = kept(store, lambda records: records.estimates.add(an_estimate_entry()))
        undone = an_estimate_entry(
            kind=EstimateKind.taken_back, since=None, figures=None, about=first.number
        )
        second = kept(store, lambda records: records.estimates.add(undone))

        assert (first.number, second.number) == (1, 2)
        assert store.read(lambda records: records.estimates.last()) == 2
        assert store.read(lambda records: records.estimates.every()) == (first, second)

    def test_clock_entries_are_kept_within_their_quote_and_found_by_day(self, store: Store) -> None:
        kept(store, lambda records: [keep_issued(records) for _ in range(2)])
        later = TODAY + timedelta(days=1)
        added = [
            kept(store, partial(lambda one, records: records.clock_entries.add(one), entry))
            for entry in (
                a_clock_entry(2),
                a_clock_entry(1, kind=ClockKind.minutes, moment=None, minutes=30),
                a_clock_entry(1, day=later),
                a_clock_entry(1, kind=ClockKind.corrected, about=1, minutes=0, reason="Slip."),
            )
        ]

        assert [one.number for one in added] == [1, 1, 2, 3]
        assert store.read(lambda records: records.clock_entries.of_quote(1)) == (*added[1:],)
        found = store.read(lambda records: records.clock_entries.of_day(TODAY))
        assert found == (added[1], added[3], added[0])
        assert store.read(lambda records: records.clock_entries.of_day(later)) == (added[2],)
        with pytest.raises(RecordConflict):
            kept(store, lambda records: records.clock_entries.add(a_clock_entry(9)))

    def test_come_backs_are_kept_by_quote_and_found_by_visit(self, store: Store) -> None:
        kept(store, lambda records: [keep_issued(records) for _ in range(3)])
        for quote in (2, 3):
            kept(store, partial(lambda one, r: r.come_backs.add(a_come_back(one, 1)), quote))

        settled = a_come_back(2, 1, cause="work", part=None, ground="work-in-time")
        kept(store, lambda records: records.come_backs.put(settled))

        assert store.read(lambda records: records.come_backs.get(2)) == settled
        found = store.read(lambda records: records.come_backs.of_visit(1))
        assert found == (settled, a_come_back(3, 1))
        with pytest.raises(RecordConflict):
            kept(store, lambda records: records.come_backs.add(a_come_back(9, 1)))

    def test_claims_are_numbered_and_found_by_quote_and_state(self, store: Store) -> None:
        kept(store, lambda records: [keep_issued(records) for _ in range(2)])
        first = kept(store, lambda records: records.claims.add(a_claim(2, 1)))
        nowhere = a_claim(2, 1, supplier=None, cost=None, due_on=None, state=ClaimState.sent)
        second = kept(store, lambda records: records.claims.add(nowhere))

        def found(quote: int | None, state: ClaimState | None) -> tuple[Claim, ...]:
            return store.read(lambda records: records.claims.find(quote, state, None, 9))

        assert found(None, None) == (second, first)
        assert found(2, ClaimState.open) == (first,)
        assert found(1, None) == ()
        assert store.read(lambda records: records.claims.of_quote(2)) == (first, second)
        assert store.read(lambda records: records.claims.sound_of_quote(2)) == (first, second)
        credited = structs.replace(first, credit=Money(900, USD), state=ClaimState.credited)
        kept(store, lambda records: records.claims.put(credited))
        assert store.read(lambda records: records.claims.get(first.number)) == credited

    def test_notices_are_kept_within_their_quote(self, store: Store) -> None:
        kept(store, lambda records: [keep_issued(records) for _ in range(2)])
        added = [
            kept(store, partial(lambda one, records: records.notices.add(one), notice))
            for notice in (a_notice(2), a_notice(2, way=NoticeWay.told), a_notice(1))
        ]

        assert [one.number for one in added] == [1, 2, 1]
        assert store.read(lambda records: records.notices.of_quote(2)) == (*added[:2],)

    def test_sound_records_of_a_quote_are_all_where_none_is_damaged(self, store: Store) -> None:
        def work(records: Records) -> None:
            for _ in range(2):
                keep_issued(records)
            records.authorisations.add(an_authorisation(1))
            records.additions.add(an_addition(1))
            records.photos.add(a_photo(1))
            records.mails.add(a_mail(1))

        kept(store, work)

        def compared(records: Records) -> None:
            assert records.revisions.sound_of_quote(1) == records.revisions.of_quote(1) != ()
            given = records.authorisations.of_quote(1)
            assert records.authorisations.sound_of_quote(1) == given != ()
            assert records.additions.sound_of_quote(1) == records.additions.of_quote(1) != ()
            assert records.photos.sound_of_quote(1) == records.photos.of_quote(1) != ()
            assert records.mails.sound_of_quote(1) == records.mails.of_quote(1) != ()

        store.read(compared)

    def test_mails_of_orders_belong_to_no_quote(self, store: Store) -> None:
        def work(records: Records) -> None:
            order = records.orders.add(an_order(keep_issued(records).number)).number
            mail = a_mail(None, None, order=order, message_id="<o@b>")
            records.mails.add(mail)
            records.mails.add(a_mail(1))

        kept(store, work)

        (found,) = store.read(lambda records: records.mails.of_order(1))
        assert (found.quote, found.revision, found.order) == (None, None, 1)
        assert [one.number for one in store.read(lambda r: r.mails.of_quote(1))] == [2]
        assert [one.number for one in store.read(lambda r: r.mails.due(NOON, 9))] == [1, 2]

    def test_photos_are_kept_until_dropped(self, store: Store) -> None:
        def work(records: Records) -> None:
            for _ in range(2):
                keep_issued(records)
            for quote, name in ((1, "aa"), (2, "bb"), (1, "bb")):
                records.photos.add(a_photo(quote, sha256=name, cylinder=None))

        kept(store, work)

        assert store.read(lambda r: [one.number for one in r.photos.of_quote(1)]) == [1, 3]
        assert store.read(lambda records: records.photos.hashes()) == {"aa", "bb"}
        assert store.read(lambda r: r.photos.get(2)) == a_photo(
            2, number=2, sha256="bb", cylinder=None
        )
        kept(store, lambda records: records.photos.drop(3))
        kept(store, lambda records: records.photos.drop(3))
        assert store.read(lambda records: records.photos.get(3)) is None
        assert store.read(lambda records: records.photos.hashes()) == {"aa", "bb"}
        again = kept(store, lambda records: records.photos.add(a_photo(1)))
        assert again.number == 4
        with pytest.raises(RecordConflict):
            kept(store, lambda records: records.photos.add(a_photo(9)))
        kept(store, lambda records: records.photos.put(a_photo(1, number=4, code="other")))
        assert store.read(lambda records: records.photos.get(4)) == a_photo(
            1, number=4, code="other"
        )

    def test_mails_are_kept_and_replaced(self, store: Store) -> None:
        def work(records: Records) -> None:
            for _ in range(2):
                keep_issued(records)
            for quote, name in ((1, "<a@b>"), (2, "<b@b>"), (1, "<c@b>")):
                records.mails.add(a_mail(quote, message_id=name))

        kept(store, work)

        assert store.read(lambda r: [one.number for one in r.mails.of_quote(1)]) == [1, 3]
        assert store.read(lambda r: r.mails.of_quote(9)) == ()
        assert store.read(lambda r: r.mails.get(2)) == a_mail(2, number=2, message_id="<b@b>")
        assert store.read(lambda r: r.mails.get(4)) is None
        sent = a_mail(
            2,
            number=2,
            message_id="<b@b>",
            to="",
            body=b"",
            state=MailState.sent,
            attempts=2,
            next_at=None,
            failure="said no",
            sent_at=NOON + HOUR,
        )
        kept(store, lambda records: records.mails.put(sent))
        assert store.read(lambda r: r.mails.get(2)) == sent
        assert store.read(lambda r: r.mails.of_quote(2)) == (sent,)
        with pytest.raises(RecordConflict):
            kept(store, lambda r: r.mails.add(a_mail(1, message_id="<a@b>")))
        with pytest.raises(RecordConflict):
            kept(store, lambda r: r.mails.add(a_mail(1, 2, message_id="<d@b>")))
        with pytest.raises(RecordMissing):
            kept(store, lambda r: r.mails.put(a_mail(1, number=9)))

    def test_mails_are_found_by_their_address(self, store: Store) -> None:
        def work(records: Records) -> None:
            for n in range(2):
                quote = keep_issued(records).number
                for to in ("Ada@Example.org", "ada@example.organic", "ada@example.org"):
                    records.mails.add(a_mail(quote, to=to, message_id=f"<{n}{to}>"))

        kept(store, work)

        def to(address: str) -> list[int]:
            return [mail.number for mail in store.read(lambda r: r.mails.to(address, 0, 9))]

        assert to("ADA@example.ORG") == [1, 3, 4, 6]
        assert to("ada@example.organic") == [2, 5]
        after = store.read(lambda r: r.mails.to("ada@example.org", 1, 2))
        assert [mail.number for mail in after] == [3, 4]
        # no letter of ASCII is capital K's sign
        assert to("ada%") == to("\u212a@example.org") == []

    def test_queued_mails_are_due_the_longest_due_first(self, store: Store) -> None:
        assert store.read(lambda r: r.mails.soonest()) is None

        def work(records: Records) -> None:
            keep_issued(records)
            for number, hours in enumerate((3, 1, 2, 1), start=1):
                records.mails.add(
                    a_mail(1, message_id=f"<{number}@b>", next_at=NOON + hours * HOUR)
                )
            records.mails.add(a_mail(1, message_id="<s@b>", state=MailState.sent, next_at=None))
            records.mails.add(a_mail(1, message_id="<f@b>", state=MailState.failed))

        kept(store, work)

        def due(hours: int, most: int) -> list[int]:
            return store.read(
                lambda r: [one.number for one in r.mails.due(NOON + hours * HOUR, most)]
            )

        assert due(0, 9) == []
        assert due(1, 9) == [2, 4]
        assert due(3, 9) == [2, 4, 3, 1]
        assert due(3, 3) == [2, 4, 3]
        assert store.read(lambda r: r.mails.due(NOON + 3 * HOUR, 1)) == (
            a_mail(1, number=2, message_id="<2@b>", next_at=NOON + HOUR),
        )
        assert store.read(lambda r: r.mails.soonest()) == NOON + HOUR

    def test_queued_mails_of_a_quote_are_found(self, store: Store) -> None:
        def work(records: Records) -> None:
            for _ in range(2):
                quote = keep_issued(records).number
                for state in (MailState.queued, MailState.sent, MailState.failed):
                    mail = a_mail(quote, message_id=f"<{quote}{state.value}@b>", state=state)
                    records.mails.add(mail)

        kept(store, work)

        found = store.read(lambda r: r.mails.queued_of(2))
        assert [(one.quote, one.state) for one in found] == [(2, MailState.queued)]

    def test_queued_mails_are_counted(self, store: Store) -> None:
        assert store.read(lambda r: r.mails.waiting()) == Waiting(0, None)

        def work(records: Records) -> None:
            keep_issued(records)
            for name, hours in (("a", 2), ("b", 1)):
                made_at = NOON + hours * HOUR
                records.mails.add(a_mail(1, message_id=f"<{name}@b>", made_at=made_at))
            sent = a_mail(1, message_id="<s@b>", state=MailState.sent, next_at=None)
            records.mails.add(sent)

        kept(store, work)

        assert store.read(lambda r: r.mails.waiting()) == Waiting(2, NOON + HOUR)

    def test_trial_is_written_and_read(self, store: Store) -> None:
        assert store.read(lambda r: r.trial.read()) == 0
        assert kept(store, lambda records: records.trial.write()) == 1
        assert kept(store, lambda records: records.trial.write()) == 2
        assert store.read(lambda r: r.trial.read()) == 2

    def test_keys_are_kept_oldest_first(self, store: Store) -> None:
        kept(store, lambda records: records.keys.add(a_key("zz")))
        kept(store, lambda records: records.keys.add(a_key("aa", scopes=frozenset())))
        used = a_key("zz", last_used_on=TODAY, revoked_at=NOON, name="old")

        kept(store, lambda records: records.keys.put(used))

        assert store.read(lambda records: records.keys.every()) == (
            used,
            a_key("aa", scopes=frozenset()),
        )
        assert store.read(lambda records: records.keys.get("zz")) == used
        assert store.read(lambda records: records.keys.get("none")) is None
        with pytest.raises(RecordMissing):
            kept(store, lambda records: records.keys.put(a_key("none")))

    def test_secret_is_kept_once(self, store: Store) -> None:
        kept(store, lambda records: records.keys.add_secret("links", b"\x00\xff"))

        assert store.read(lambda records: records.keys.secret("links")) == b"\x00\xff"
        assert store.read(lambda records: records.keys.secret("hooks")) is None
        with pytest.raises(RecordConflict):
            kept(store, lambda records: records.keys.add_secret("links", b"other"))

    def test_answer_is_given_again_until_it_expires(self, store: Store) -> None:
        kept(store, lambda records: records.answers.add(an_answer(), NOON))

        def get(key: str, once: str, days: float) -> object:
            return store.read(lambda records: records.answers.get(key, once, NOON + days * DAY))

        assert get("k1", "once", 0.999) == an_answer()
        assert get("k1", "once", 1) is None
        assert get("k2", "once", 0) is None
        assert get("k1", "twice", 0) is None

    def test_answer_takes_the_place_of_an_expired_one_alone(self, store: Store) -> None:
        kept(store, lambda records: records.answers.add(an_answer(), NOON))
        other = an_answer(status=200, expires_at=NOON + 3 * DAY)

        with pytest.raises(RecordConflict):
            kept(store, lambda records: records.answers.add(other, NOON + DAY - HOUR))
        kept(store, lambda records: records.answers.add(an_answer(key="k2"), NOON))
        kept(store, lambda records: records.answers.add(other, NOON + DAY))

        now = NOON + DAY
        assert store.read(lambda records: records.answers.get("k1", "once", now)) == other

    def test_answers_are_all_forgotten(self, store: Store) -> None:
        for name in ("once", "twice"):
            kept(store, partial(add_answer, name=name))

        assert kept(store, lambda records: records.answers.forget(1)) == 1
        assert store.read(lambda records: records.answers.get("k1", "once", NOON)) is None
        assert kept(store, lambda records: records.answers.forget(9)) == 1
        assert store.read(lambda records: records.answers.get("k1", "twice", NOON)) is None

    def test_answer_is_kept_though_many_have_expired(self, store: Store) -> None:
        def work(records: Records) -> None:
            for number in range(60):
                expires = NOON + number * HOUR
                records.answers.add(an_answer(f"n{number}", expires_at=expires), NOON - DAY)
            # the last of those that expired: not among the first that are forgotten
            records.answers.add(
                an_answer("n59", status=200, expires_at=NOON + 9 * DAY), NOON + 3 * DAY
            )

        kept(store, work)

        answer = store.read(lambda records: records.answers.get("k1", "n59", NOON + 3 * DAY))
        assert answer is not None
        assert answer.status == 200

    def test_retentions_are_kept_until_dropped(self, store: Store) -> None:
        def work(records: Records) -> None:
            keep_issued(records)
            for name in ("one", "two"):
                number = records.customers.add(a_customer(name)).number
                records.retentions.add(a_retention(number, 1))

        kept(store, work)
        assert store.read(lambda r: r.retentions.of_customer(2)) == (a_retention(2, 1, number=2),)
        later = a_retention(1, 1, number=1, until=None)
        kept(store, lambda records: records.retentions.put(later))
        assert store.read(lambda r: r.retentions.get(1)) == later
        kept(store, lambda records: records.retentions.drop(2))
        assert store.read(lambda r: r.retentions.every()) == (later,)
        for wrong in (a_retention(9, 1), a_retention(1, 9)):
            with pytest.raises(RecordConflict):
                kept(store, partial(lambda one, records: records.retentions.add(one), wrong))

    def test_erasures_are_kept_until_dropped(self, store: Store) -> None:
        def work(records: Records) -> None:
            for name in ("Zoë", "Ada"):
                number = records.customers.add(a_customer(name)).number
                records.erasures.add(an_erasure(number))

        kept(store, work)

        assert store.read(lambda r: r.erasures.of_customer(2)) == an_erasure(2, number=2)
        assert store.read(lambda r: r.erasures.of_customer(3)) is None
        assert [one.number for one in store.read(lambda r: r.erasures.every())] == [1, 2]
        further = an_erasure(2, number=2, place=7, counts={"quotes": 3})
        kept(store, lambda records: records.erasures.put(further))
        assert store.read(lambda r: r.erasures.get(2)) == further
        kept(store, lambda records: records.erasures.drop(2))
        assert store.read(lambda r: r.erasures.get(2)) is None
        assert kept(store, lambda r: r.erasures.add(an_erasure(1))).number == 3
        with pytest.raises(RecordConflict):
            kept(store, lambda records: records.erasures.add(an_erasure(9)))

    def test_disposals_are_kept_until_dropped(self, store: Store) -> None:
        def work(records: Records) -> None:
            for name in ("a", "b", "c"):
                records.disposals.add(Disposal(number=0, kind=DisposalKind.photo, name=name))

        kept(store, work)
        kept(store, lambda records: records.disposals.drop(2))

        found = store.read(lambda records: records.disposals.next(0, 9))
        assert [(one.number, one.name) for one in found] == [(1, "a"), (3, "c")]
        assert store.read(lambda records: records.disposals.next(1, 1)) == found[1:]
        letter = Disposal(number=3, kind=DisposalKind.letter, name="<m@b>")
        kept(store, lambda records: records.disposals.put(letter))
        assert store.read(lambda records: records.disposals.get(3)) == letter

    def test_usable_keys_are_all_that_are_sound(self, store: Store) -> None:
        kept(store, lambda records: records.keys.add(a_key()))

        assert store.read(lambda records: records.keys.usable()) == (a_key(),)
