"""The shelf over the API: its opening, packs, parts of others, value, reorder points, refusals."""

import shutil
import sqlite3
from contextlib import closing
from pathlib import Path
from typing import Any

import pytest
from tests.desks import Clock, open_counter
from tests.store.make_version import FOLDER
from tests.web.calls.conftest import Staff
from tests.web.calls.test_shelf_promises import GASKET, move, shelf

from kitwright.desk_opening import open_desk
from kitwright.settings import Settings, built_in_catalog
from kitwright.store.engine import FILE
from kitwright.web.calls.service import Service


def test_shelf_opens_with_the_stock_of_the_file_once(service: Service, tmp_path: Path) -> None:
    with open_counter(service, tmp_path) as counter:
        moves = counter.store.read(lambda records: records.shelf.moves(GASKET, None, 9))
    assert [(one.kind.value, one.reason) for one in moves] == [
        ("reserve", "promised before the ledger"),
        ("receive", "opening stock"),
    ]
    settings = Settings(catalog=built_in_catalog(), data=tmp_path)
    _, store = open_desk(service, settings, now=Clock())
    again = store.read(lambda records: records.shelf.moves(GASKET, None, 9))
    store.close()
    assert again == moves


def test_folder_of_the_version_before_opens_its_shelf(service: Service, tmp_path: Path) -> None:
    shutil.copy(FOLDER / "0002.db", tmp_path / FILE)
    with closing(sqlite3.connect(tmp_path / FILE)) as database, database:
        # its order is no real one
        database.execute("DELETE FROM orders")
    settings = Settings(catalog=built_in_catalog(), data=tmp_path)
    _, store = open_desk(service, settings, now=Clock())
    (found,) = store.read(lambda records: records.shelf.of_item(GASKET))
    store.close()
    assert (found[1].on_hand, found[1].reserved) == (3_000_000, 1_000_000)
    assert found[1].value.minor == 720


def test_consumables_are_received_in_packs_and_keep_their_rest(staff: Staff) -> None:
    before = staff.get("/v1/shelf/CS-OIL")
    pack = float(before["pack"])
    told = move(staff, "draw", "0.3", "CS-OIL")
    assert float(told["on_hand"]) == pytest.approx(float(before["on_hand"]) - 0.3)
    assert float(told["opened"]) == pytest.approx(pack - 0.3)
    body = {"kind": "receive", "packs": "2", "cost": "4.40", "reason": "paper 1", "by": "Owner"}
    told = staff.done("/v1/shelf/CS-OIL/moves", body).json()
    assert float(told["on_hand"]) == pytest.approx(float(before["on_hand"]) - 0.3 + 2 * pack)


def test_parts_of_others_are_kept_apart(staff: Staff) -> None:
    before, quote = shelf(staff), staff.quote()
    value = staff.get("/v1/stock-value")["value"]
    move(staff, "receive", "1", owner="customer", bin="C1", quote=quote)
    move(staff, "receive", "2", owner="core", bin="X1")
    told = staff.get(f"/v1/shelf/{GASKET}")
    assert shelf(staff) == before
    assert staff.get("/v1/stock-value")["value"] == value
    others = [(one["owner"], one["on_hand"], one["quote"]) for one in told["holdings"][1:]]
    assert others == [("customer", "1", quote), ("core", "2", None)]


def test_value_of_stock_is_told_for_any_day(staff: Staff) -> None:
    def value(day: str) -> Any:
        items = staff.get("/v1/stock-value", on=day)["items"]
        return [one["value"]["amount"] for one in items if one["item"] == GASKET]

    staff.counter.clock.pass_days(1)
    move(staff, "receive", "1", cost="4.40")
    assert [value(f"2027-0{day}") for day in ("2-28", "3-01", "3-02")] == [[], ["7.20"], ["11.60"]]


def test_reorder_point_proposes_and_orders_nothing(staff: Staff) -> None:
    path = f"/v1/shelf/{GASKET}/reorder-point"
    told = staff.done(path, {"least": "2", "wanted": "5"}).json()
    assert told["reorder"] == {"least": "2", "wanted": "5", "propose": None}
    move(staff, "draw", "1")
    listed = {one["item"]: one["reorder"] for one in staff.get("/v1/shelf")["items"]}
    assert listed[GASKET]["propose"] == "4"
    assert staff.get("/v1/orders")["items"] == []
    assert staff.done(path, {"least": "0", "wanted": "0"}).json()["reorder"] is None
    refused = staff.refused(path, {"least": "5", "wanted": "2"})
    assert [one["code"] for one in refused["errors"]] == ["move-unclear"]


@pytest.mark.parametrize(
    ("kind", "said", "pointer"),
    [
        ("draw", {"quantity": "0"}, "/quantity"),
        ("receive", {"quantity": "-1"}, "/quantity"),
        ("draw", {"cost": "1.00"}, "/cost"),
        ("receive", {"cost": "-1.00"}, "/cost"),
        ("reserve", {"bin": "Z9"}, "/bin"),
        ("receive", {"owner": "core"}, "/bin"),
    ],
)
def test_unclear_move_is_refused(
    staff: Staff, kind: str, said: dict[str, str], pointer: str
) -> None:
    before = shelf(staff)
    body = {"kind": kind, "quantity": "1", "reason": "test", "by": "Owner", **said}
    refused = staff.refused(f"/v1/shelf/{GASKET}/moves", body)
    found = [(one["code"], one["pointer"]) for one in refused["errors"]]
    assert found == [("move-unclear", pointer)]
    assert shelf(staff) == before


def test_move_that_the_shelf_does_not_allow_is_refused(staff: Staff) -> None:
    body = {"kind": "reserve", "quantity": "3", "reason": "test", "by": "Owner"}
    refused = staff.refused(f"/v1/shelf/{GASKET}/moves", body)
    assert (refused["code"], refused["errors"][0]["code"]) == ("act-refused", "shelf-refused")
    assert "only 2 is free" in refused["detail"]
    assert staff.client.get("/v1/shelf/NO-SUCH").status_code == 404


def test_moves_are_paged(staff: Staff) -> None:
    for _ in range(3):
        move(staff, "receive", "1")
    first = staff.client.get(f"/v1/shelf/{GASKET}/moves", params={"limit": 4})
    link = first.headers["Link"].partition(">")[0].removeprefix("<")
    rest = staff.client.get(link).json()["items"]
    numbers = [one["number"] for one in (*first.json()["items"], *rest)]
    assert len(numbers) == 5
    assert numbers == sorted(numbers, reverse=True)
