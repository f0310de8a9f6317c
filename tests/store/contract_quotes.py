"""The contract of a store: quotes, revisions, authorisations and additions."""

from __future__ import annotations

from datetime import date

import pytest
from msgspec import structs
from tests.store.asking import OpenStore, kept, together
from tests.store.small import (
    DAY,
    HOUR,
    NOON,
    TODAY,
    a_customer,
    a_key,
    a_machine,
    a_quote,
    a_revision,
    an_addition,
    an_authorisation,
    an_issued_revision,
    keep_issued,
)

from kitwright.keeping.record import KeptQuote, QuoteState, Revision, RevisionState
from kitwright.keeping.store import (
    RecordConflict,
    RecordMissing,
    Records,
    RevisionSealed,
    Store,
)
from kitwright.money import Money


class QuotesContract:
    """Quotes, revisions, authorisations and additions."""

    @pytest.fixture
    def store(self, open_store: OpenStore) -> Store:
        return open_store()

    def test_quotes_are_numbered_and_kept_whole(self, store: Store) -> None:
        def work(records: Records) -> tuple[KeptQuote, ...]:
            customer = records.customers.add(a_customer())
            machine = records.machines.add(a_machine(customer=customer.number))
            return (
                records.quotes.add(a_quote()),
                records.quotes.add(
                    a_quote(
                        state=QuoteState.in_work,
                        latest=3,
                        offered=3,
                        agreed=2,
                        customer=customer.number,
                        machine=machine.number,
                        serial=77,
                        gross=None,
                        net=Money(-5, "JPY"),
                        version=8,
                    )
                ),
            )

        first, second = kept(store, work)

        assert (first.number, second.number) == (1, 2)
        assert store.read(lambda records: records.quotes.get(1)) == first
        assert store.read(lambda records: records.quotes.get(2)) == second
        assert store.read(lambda records: records.quotes.get(3)) is None

    def test_put_quote_replaces_it(self, store: Store) -> None:
        quote = kept(store, lambda records: records.quotes.add(a_quote()))
        changed = structs.replace(quote, version=2, state=QuoteState.issued, offered=1, serial=5)

        kept(store, lambda records: records.quotes.put(changed))

        assert store.read(lambda records: records.quotes.get(quote.number)) == changed
        with pytest.raises(RecordMissing):
            kept(store, lambda records: records.quotes.put(structs.replace(changed, number=9)))

    def test_quote_of_nobody_that_is_kept_is_refused(self, store: Store) -> None:
        for said in ({"customer": 9}, {"machine": 9}):
            with pytest.raises(RecordConflict):
                kept(store, lambda records, said=said: records.quotes.add(a_quote(**said)))  # type: ignore[misc]

    def test_naming_gives_quotes_of_which_any_revision_does(self, store: Store) -> None:
        def work(records: Records) -> None:
            for name in ("One", "Two"):
                customer = records.customers.add(a_customer(name)).number
                records.machines.add(a_machine(name, customer=customer))
            for whom, what in ((None, 1), (1, 2), (None, None), (2, None)):
                # what the quote itself names does not count
                quote = records.quotes.add(a_quote(latest=2, customer=2, machine=2)).number
                named = {"customer": whom, "machine": what}
                records.revisions.add(an_issued_revision(quote, 1, **named))
                records.revisions.add(a_revision(quote, 2, **named))

        kept(store, work)

        def naming(customer: int | None, machine: int | None) -> list[int]:
            found = store.read(lambda records: records.quotes.naming(customer, machine))
            return [quote.number for quote in found]

        assert naming(1, None) == [2]
        assert naming(None, 1) == [1]
        assert naming(2, 1) == [4, 1]
        assert naming(1, 2) == [2]
        assert naming(None, None) == []
        assert naming(9, 9) == []

    @pytest.mark.parametrize("named", [{"customer": 9}, {"machine": 9}])
    def test_revision_for_nobody_who_is_kept_is_refused(
        self, store: Store, named: dict[str, int]
    ) -> None:
        kept(store, lambda records: records.quotes.add(a_quote()).number)
        with pytest.raises(RecordConflict):
            kept(store, lambda records: records.revisions.add(a_revision(1, **named)))

    def test_overdue_gives_offers_whose_last_day_has_passed(self, store: Store) -> None:
        def work(records: Records) -> list[int]:
            past, today = (keep_issued(records, valid_until=TODAY - n * DAY) for n in (1, 0))
            keep_issued(records, valid_until=TODAY + DAY)
            agreed = keep_issued(records, valid_until=TODAY - DAY)
            records.revisions.mark(agreed.number, 1, RevisionState.accepted)
            records.quotes.put(structs.replace(agreed, offered=None, agreed=1))
            draft = records.quotes.add(a_quote(valid_until=TODAY - DAY))
            records.revisions.add(a_revision(draft.number, valid_until=TODAY - DAY))
            return [past.number, today.number]

        past, today = kept(store, work)

        def overdue(day: date) -> list[int]:
            return [quote.number for quote in store.read(lambda r: r.quotes.overdue(day))]

        assert overdue(TODAY - DAY) == []
        assert overdue(TODAY) == [past]
        assert overdue(TODAY + DAY) == [past, today]

    def test_additions_of_one_instant_keep_the_order_in_which_they_were_made(
        self, store: Store
    ) -> None:
        names = [f"screw {place}" for place in range(12, 0, -1)]

        def work(records: Records) -> None:
            quote = keep_issued(records).number
            for name in names:
                records.additions.add(an_addition(quote, description=name))

        kept(store, work)

        found = store.read(lambda records: records.additions.of_quote(1))
        assert [one.description for one in found] == names
        assert [one.number for one in found] == list(range(1, 13))
        assert len({one.at for one in found}) == 1

    def test_revisions_are_kept_in_order(self, store: Store) -> None:
        def work(records: Records) -> None:
            number = records.quotes.add(a_quote(latest=2)).number
            records.revisions.add(an_issued_revision(number, 1))
            records.revisions.add(a_revision(number, 2, gross=None, is_provisional=True))

        kept(store, work)

        first, second = an_issued_revision(1, 1), a_revision(1, 2, gross=None, is_provisional=True)
        assert store.read(lambda records: records.revisions.get(1, 1)) == first
        assert store.read(lambda records: records.revisions.get(1, 2)) == second
        assert store.read(lambda records: records.revisions.get(1, 3)) is None
        assert store.read(lambda records: records.revisions.of_quote(1)) == tuple(
            structs.replace(one, request=b"", answer=b"", reckoning=b"", shown=b"")
            for one in (first, second)
        )
        assert store.read(lambda records: records.revisions.of_quote(2)) == ()

    def test_revision_is_refused_where_its_place_is_taken_or_missing(self, store: Store) -> None:
        kept(store, keep_issued)

        with pytest.raises(RecordConflict):
            kept(store, lambda records: records.revisions.add(a_revision(1, 1)))
        with pytest.raises(RecordConflict):
            kept(store, lambda records: records.revisions.add(a_revision(9, 1)))
        with pytest.raises(RecordMissing):
            kept(store, lambda records: records.revisions.put(a_revision(1, 2)))
        with pytest.raises(RecordMissing):
            kept(
                store,
                lambda records: records.revisions.mark(1, 2, RevisionState.declined),
            )

    def test_draft_may_be_replaced_and_issued(self, store: Store) -> None:
        def work(records: Records) -> Revision | None:
            records.revisions.add(a_revision(records.quotes.add(a_quote()).number))
            records.revisions.put(a_revision(1, net=Money(7, "EUR"), gross=None))
            draft = a_revision(1, answer=b"other")
            records.revisions.put(draft)
            issued = {"state": RevisionState.issued, "issued_at": NOON + HOUR, "sha256": "ab"}
            records.revisions.put(structs.replace(draft, **issued))
            return records.revisions.get(1, 1)

        assert kept(store, work) == a_revision(
            1, state=RevisionState.issued, issued_at=NOON + HOUR, sha256="ab", answer=b"other"
        )

    @pytest.mark.parametrize(
        "change",
        [
            {"state": RevisionState.draft},
            {"customer": 1},
            {"machine": 1},
            {"made_at": NOON + HOUR},
            {"issued_at": NOON + HOUR},
            {"issued_at": None},
            {"valid_until": TODAY},
            {"catalogue_revision": "c-2"},
            {"tax_state": "unknown"},
            {"is_provisional": True},
            {"net": Money(10001, "USD")},
            {"gross": Money(10826, "USD")},
            {"gross": None},
            {"net": Money(10000, "EUR"), "gross": Money(10825, "EUR")},
            {"sha256": "0" * 64},
            {"sha256": None},
            {"request": b"{}"},
            {"answer": b"{}"},
            {"shown": b"{}"},
            {"is_erased": True, "answer": b"{}", "net": Money(1, "USD")},
        ],
        ids=lambda change: "-".join(change),
    )
    def test_issued_revision_is_sealed(self, store: Store, change: dict[str, object]) -> None:
        kept(store, keep_issued)
        kept(store, lambda records: records.customers.add(a_customer()))
        kept(store, lambda records: records.machines.add(a_machine()))
        before = store.read(lambda records: records.revisions.get(1, 1))
        assert before is not None

        changed, other = together(
            store,
            lambda records: records.revisions.put(structs.replace(before, **change)),
            lambda records: records.keys.add(a_key()),
        )

        assert isinstance(changed, RevisionSealed)
        assert other == a_key()
        assert store.read(lambda records: records.revisions.get(1, 1)) == before

    def test_issued_revision_is_not_a_draft_again(self, store: Store) -> None:
        kept(store, keep_issued)

        with pytest.raises(RevisionSealed):
            kept(store, lambda records: records.revisions.mark(1, 1, RevisionState.draft))

    def test_issued_revision_takes_another_state_and_may_be_erased(self, store: Store) -> None:
        def work(records: Records) -> Revision | None:
            quote = keep_issued(records)
            records.revisions.mark(quote.number, 1, RevisionState.accepted)
            revision = records.revisions.get(quote.number, 1)
            assert revision is not None
            records.revisions.put(
                structs.replace(revision, request=b"-", answer=b"-", is_erased=True)
            )
            return records.revisions.get(quote.number, 1)

        assert kept(store, work) == an_issued_revision(
            1, state=RevisionState.accepted, request=b"-", answer=b"-", is_erased=True
        )

        def restored(records: Records) -> None:
            revision = records.revisions.get(1, 1)
            assert revision is not None
            records.revisions.put(structs.replace(revision, is_erased=False))

        with pytest.raises(RevisionSealed):
            kept(store, restored)

    def test_authorisations_are_kept_one_a_revision(self, store: Store) -> None:
        second = an_authorisation(1, 2, contact=None, includes_tax=False)

        def work(records: Records) -> None:
            number = keep_issued(records).number
            records.revisions.add(an_issued_revision(number, 2))
            records.authorisations.add(an_authorisation(number, 1))
            records.authorisations.add(second)

        kept(store, work)

        assert store.read(lambda r: r.authorisations.of_quote(1)) == (
            an_authorisation(1, 1),
            second,
        )
        assert store.read(lambda r: r.authorisations.of_quote(2)) == ()
        for one in (an_authorisation(1, 1), an_authorisation(1, 3), an_authorisation(9, 1)):
            with pytest.raises(RecordConflict):
                kept(store, lambda records, one=one: records.authorisations.add(one))  # type: ignore[misc]

    def test_put_authorisation_replaces_it(self, store: Store) -> None:
        kept(store, keep_issued)
        kept(store, lambda records: records.authorisations.add(an_authorisation(1)))
        erased = an_authorisation(1, who="erased", contact=None, text="erased")

        kept(store, lambda records: records.authorisations.put(erased))

        assert store.read(lambda records: records.authorisations.of_quote(1)) == (erased,)
        assert store.read(lambda records: records.authorisations.get(1, 1)) == erased
        assert store.read(lambda records: records.authorisations.get(1, 2)) is None
        with pytest.raises(RecordMissing):
            kept(store, lambda r: r.authorisations.put(an_authorisation(1, 2)))

    def test_additions_count_within_their_quote(self, store: Store) -> None:
        def work(records: Records) -> list[int]:
            quotes = [keep_issued(records).number for _ in range(2)]
            return [
                records.additions.add(an_addition(quotes[place])).number for place in (0, 1, 0, 0)
            ]

        assert kept(store, work) == [1, 1, 2, 3]
        erased = an_addition(1, number=2, description="erased")
        kept(store, lambda records: records.additions.put(erased))
        assert store.read(lambda records: records.additions.of_quote(1)) == (
            an_addition(1, number=1),
            erased,
            an_addition(1, number=3),
        )
        assert store.read(lambda records: records.additions.get(1, 2)) == erased
        with pytest.raises(RecordMissing):
            kept(store, lambda records: records.additions.put(an_addition(1, number=4)))
        with pytest.raises(RecordConflict):
            kept(store, lambda records: records.additions.add(an_addition(9)))

    def test_early_quotes_are_the_expired_ones_that_are_still_valid(self, store: Store) -> None:
        def work(records: Records) -> None:
            for state in (QuoteState.expired, QuoteState.issued, QuoteState.expired):
                records.quotes.add(a_quote(state=state, valid_until=TODAY + DAY))

        kept(store, work)

        def early(day: date) -> list[int]:
            return [one.number for one in store.read(lambda r: r.quotes.early(day))]

        assert early(TODAY + DAY) == [1, 3]
        assert early(TODAY + 2 * DAY) == []

    def test_revision_keeps_the_reason_for_its_state(self, store: Store) -> None:
        kept(store, keep_issued)

        kept(store, lambda r: r.revisions.mark(1, 1, RevisionState.declined, "too dear"))

        assert [one.reason for one in store.read(lambda r: r.revisions.of_quote(1))] == ["too dear"]

    def test_quotes_of_a_customer_are_those_of_its_machines_too(self, store: Store) -> None:
        def work(records: Records) -> None:
            for name in ("One", "Two"):
                customer = records.customers.add(a_customer(name)).number
                records.machines.add(a_machine(customer=customer))
            named: tuple[tuple[int | None, int | None, int | None], ...]
            named = ((1, None, 1), (None, 1, None), (2, 2, 1))
            for whom, machine, offered in named:
                quote = records.quotes.add(a_quote(offered=offered))
                records.revisions.add(a_revision(quote.number, customer=whom, machine=machine))
            agreed: dict[str, object] = {"offered": None, "agreed": 1}
            for state in (QuoteState.in_work, QuoteState.done):
                quote = records.quotes.add(a_quote(state=state, **agreed))
                records.revisions.add(a_revision(quote.number, customer=1))

        kept(store, work)

        def of_first(before: int | None, most: int, *, is_open: bool = False) -> list[int]:
            found = store.read(
                lambda records: records.quotes.of_customer(1, before, most, is_open=is_open)
            )
            return [quote.number for quote in found]

        assert of_first(None, 9) == [5, 4, 2, 1]
        assert of_first(5, 2) == [4, 2]
        assert of_first(None, 9, is_open=True) == [4, 1]
