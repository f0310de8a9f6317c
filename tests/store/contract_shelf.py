"""The contract of a store: the shelf's ledger."""

from __future__ import annotations

from typing import Any

import pytest
from msgspec import structs
from tests.store.asking import OpenStore, kept
from tests.store.small import DAY, NOON, TODAY, USD, a_holding, a_move, keep_issued

from kitwright.catalogue.model import Quality
from kitwright.keeping.ledger import UNIT, MoveKind, Owner, ReorderPoint
from kitwright.keeping.store import RecordConflict, Records, Store
from kitwright.money import Money


def received(records: Records) -> int:
    """Receive three pieces in a first holding; return its number."""
    holding = records.shelf.hold(a_holding())
    records.shelf.add(a_move(holding.number))
    return holding.number


class ShelfContract:
    """The shelf."""

    @pytest.fixture
    def store(self, open_store: OpenStore) -> Store:
        return open_store()

    def test_shelf_is_opened_once(self, store: Store) -> None:
        assert not store.read(lambda records: records.shelf.is_opened())
        kept(store, lambda records: records.shelf.open(NOON))
        assert store.read(lambda records: records.shelf.is_opened())
        with pytest.raises(RecordConflict):
            kept(store, lambda records: records.shelf.open(NOON))

    def test_holding_is_kept_once_for_the_same_members(self, store: Store) -> None:
        def work(records: Records) -> list[int]:
            quote = keep_issued(records).number
            others = [
                a_holding(),
                a_holding(brand=None),
                a_holding(bin="B"),
                a_holding(quality=Quality.alternate),
                a_holding(owner=Owner.customer, quote=quote),
                a_holding(owner=Owner.core),
            ]
            return [records.shelf.hold(one).number for one in (*others, *others)]

        assert kept(store, work) == [1, 2, 3, 4, 5, 6] * 2
        with pytest.raises(RecordConflict):
            kept(store, lambda records: records.shelf.hold(a_holding(bin="C", quote=77)))

    def test_state_of_a_holding_is_that_of_its_last_move(self, store: Store) -> None:
        def work(records: Records) -> None:
            number = received(records)
            records.shelf.add(
                a_move(
                    number, kind=MoveKind.reserve, stock=0, promised=UNIT, worth=0, reserved=UNIT
                )
            )
            other = records.shelf.hold(a_holding("G-2"))
            records.shelf.add(a_move(other.number, is_doubtful=True))

        kept(store, work)
        found = store.read(lambda records: records.shelf.get(1))
        assert found is not None
        holding, balance = found
        assert holding == a_holding(number=1)
        assert balance == a_move(1, reserved=UNIT).balance
        assert balance.free == 2 * UNIT
        assert store.read(lambda records: records.shelf.get(3)) is None
        assert [
            one.number for one, _ in store.read(lambda records: records.shelf.of_item("G-2"))
        ] == [2]
        assert store.read(lambda records: records.shelf.last()) == 3
        assert store.read(lambda records: records.shelf.moved(0)) == ("G-1", "G-2")
        assert store.read(lambda records: records.shelf.moved(2)) == ("G-2",)

        def numbers(before: int | None, most: int) -> list[int]:
            moves = store.read(lambda records: records.shelf.moves("G-1", before, most))
            return [move.number for move in moves]

        assert numbers(None, 9) == [2, 1]
        assert numbers(None, 1) == [2]
        assert numbers(2, 9) == [1]
        assert numbers(1, 9) == []

    @pytest.mark.parametrize(
        "wrong",
        [
            {"on_hand": UNIT},
            {"promised": 1},
            {"value": Money(1, USD)},
            {"stock": -4 * UNIT, "on_hand": -UNIT},
            {"promised": 4 * UNIT, "reserved": 4 * UNIT},
            {"promised": -UNIT, "reserved": -UNIT},
            {"holding": 9},
            {"quote": 9},
        ],
    )
    def test_move_that_does_not_follow_is_refused(
        self, store: Store, wrong: dict[str, object]
    ) -> None:
        kept(store, received)
        right = a_move(1, stock=0, worth=0)

        with pytest.raises(RecordConflict):
            kept(store, lambda records: records.shelf.add(structs.replace(right, **wrong)))

        assert store.read(lambda records: records.shelf.last()) == 1
        assert kept(store, lambda records: records.shelf.add(right)).number == 2

    def test_shares_of_quotes_are_summed(self, store: Store) -> None:
        def work(records: Records) -> None:
            number = received(records)
            first, second = (keep_issued(records).number for _ in range(2))
            reserve: dict[str, Any] = {
                "stock": 0,
                "worth": 0,
                "kind": MoveKind.reserve,
                "promised": UNIT,
            }
            records.shelf.add(a_move(number, quote=first, **reserve, reserved=UNIT))
            records.shelf.add(a_move(number, quote=second, **reserve, reserved=2 * UNIT))
            records.shelf.add(a_move(number, quote=None, **reserve, reserved=3 * UNIT))
            records.shelf.add(
                a_move(
                    number,
                    quote=first,
                    kind=MoveKind.draw,
                    stock=-UNIT,
                    promised=-UNIT,
                    worth=-100,
                    on_hand=2 * UNIT,
                    reserved=2 * UNIT,
                    value=Money(200, USD),
                )
            )

        kept(store, work)
        holding = a_holding(number=1)
        (share,) = store.read(lambda records: records.shelf.shares(1))
        assert (share.holding, share.quote, share.reserved, share.drawn) == (holding, 1, 0, UNIT)
        (share,) = store.read(lambda records: records.shelf.shares(2))
        assert (share.reserved, share.drawn) == (UNIT, 0)
        found = store.read(lambda records: records.shelf.reserved(1))
        assert [(one.quote, one.reserved) for one in found] == [(None, UNIT), (2, UNIT)]
        worth = store.read(lambda records: records.shelf.last_worth(1))
        assert worth == (UNIT, Money(100, USD))
        assert store.read(lambda records: records.shelf.last_worth(2)) is None

    def test_value_is_known_for_any_day(self, store: Store) -> None:
        def work(records: Records) -> None:
            number = received(records)
            more: dict[str, Any] = {"on_hand": 6 * UNIT, "value": Money(600, USD)}
            records.shelf.add(a_move(number, day=TODAY + 2 * DAY, **more))

        kept(store, work)

        def value(days: int) -> list[int]:
            found = store.read(lambda records: records.shelf.value_on(TODAY + days * DAY))
            return [balance.value.minor for _, balance in found]

        assert [value(days) for days in (-1, 0, 1, 2, 9)] == [[], [300], [300], [600], [600]]

    def test_reorder_points_are_set_and_dropped(self, store: Store) -> None:
        def work(records: Records) -> None:
            received(records)
            records.shelf.put_point(ReorderPoint(item="G-9", least=1, wanted=2))
            records.shelf.put_point(ReorderPoint(item="G-9", least=2, wanted=5))
            records.shelf.put_point(ReorderPoint(item="G-0", least=2, wanted=5))
            records.shelf.drop_point("G-0")
            records.shelf.drop_point("G-0")

        kept(store, work)
        points = store.read(lambda records: records.shelf.points())
        assert points == (ReorderPoint(item="G-9", least=2, wanted=5),)

    def test_items_are_listed_by_their_first_holding(self, store: Store) -> None:
        def work(records: Records) -> None:
            for item, place in (("G-1", "A"), ("G-2", "A"), ("G-1", "B"), ("G-0", "A")):
                records.shelf.hold(a_holding(item, bin=place))

        kept(store, work)

        def items(before: int | None, most: int) -> tuple[tuple[int, str], ...]:
            return store.read(lambda records: records.shelf.items(before, most))

        assert items(None, 9) == ((4, "G-0"), (2, "G-2"), (1, "G-1"))
        assert items(None, 1) == ((4, "G-0"),)
        assert items(4, 9) == ((2, "G-2"), (1, "G-1"))
        assert items(1, 9) == ()
