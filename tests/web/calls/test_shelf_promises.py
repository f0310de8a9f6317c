"""One piece on the shelf is promised once: the other quotes order theirs."""

from typing import Any

import pytest
from tests.web.calls.conftest import Staff

from kitwright.stages.supply import Stock
from kitwright.web.calls.service import Service
from kitwright.web.calls.wire import PreviewIn
from kitwright.web.edge.body import decode

GASKET = "V68-G-110"
HEADS = {
    "family": "TB-V68",
    "serial": 3120416,
    "chassis": "SK-ZT52",
    "diagnoses": [],
    "jobs": [{"job": "J-HEAD-GASKET", "cylinder": 1}],
}


def shelf(staff: Staff, item: str = GASKET) -> tuple[str, str, str]:
    told = staff.get(f"/v1/shelf/{item}")
    return told["on_hand"], told["reserved"], told["free"]


def move(staff: Staff, kind: str, quantity: str, item: str = GASKET, **more: Any) -> Any:
    body = {"kind": kind, "quantity": quantity, "reason": "test", "by": "Owner", **more}
    return staff.done(f"/v1/shelf/{item}/moves", body).json()


def order(staff: Staff, quote: str, revision: int = 1) -> Any:
    asked = {"revisions": [{"quote": quote, "revision": revision}]}
    return staff.done("/v1/orders", asked).json()


def ordered(answer: Any, item: str = GASKET) -> int:
    """Return how many pieces of an item some orders contain for needs."""
    return sum(
        int(cover["quantity"])
        for one in answer["items"]
        for line in one["order"]["lines"]
        for cover in line["covers"]
        if cover["part"] == item
    )


def taken(staff: Staff, quote: str, item: str = GASKET) -> list[str]:
    kit = staff.get(f"/v1/quotes/{quote}")["quote"]["kit"]
    return [one["quantity"] for one in kit["from_stock"] if one["item"] == item]


@pytest.fixture
def one_piece(staff: Staff) -> Staff:
    """Return somebody at the counter of a shop with one free gasket."""
    move(staff, "count", "2")
    assert shelf(staff) == ("2", "1", "1")
    return staff


def accept(staff: Staff, quote: str, revision: int = 1) -> None:
    yes = {"revision": revision, "who": "A. Customer", "means": "telephone"}
    staff.act(quote, "accept", yes)


def test_three_accepted_quotes_and_one_piece(one_piece: Staff) -> None:
    staff = one_piece
    quotes = [staff.issued(**HEADS) for _ in range(3)]
    assert [taken(staff, quote) for quote in quotes] == [["1"], ["1"], ["1"]]

    for quote in quotes:
        accept(staff, quote)

    assert shelf(staff) == ("2", "2", "0")
    assert [ordered(order(staff, quote)) for quote in quotes] == [0, 1, 1]
    assert [ordered(order(staff, quote)) for quote in quotes] == [0, 0, 0]


def test_withdrawn_quote_frees_its_piece(one_piece: Staff) -> None:
    staff = one_piece
    first, second = (staff.issued(**HEADS) for _ in range(2))
    accept(staff, first)
    accept(staff, second)
    assert shelf(staff) == ("2", "2", "0")

    staff.act(first, "withdraw")
    assert shelf(staff) == ("2", "1", "1")

    assert ordered(order(staff, second)) == 0
    assert shelf(staff) == ("2", "2", "0")


def test_quote_after_the_reservation_does_not_count_on_the_piece(one_piece: Staff) -> None:
    staff = one_piece
    first = staff.issued(**HEADS)
    assert taken(staff, first) == ["1"]
    accept(staff, first)

    second = staff.issued(**HEADS)

    assert taken(staff, second) == []
    accept(staff, second)
    assert ordered(order(staff, second)) == 1
    assert shelf(staff) == ("2", "2", "0")


def test_new_agreement_keeps_the_piece_of_the_old_one(one_piece: Staff) -> None:
    staff = one_piece
    quote = staff.issued(**HEADS)
    accept(staff, quote)
    staff.act(quote, "revise", HEADS)
    staff.act(quote, "issue")
    assert shelf(staff) == ("2", "2", "0")

    accept(staff, quote, 2)

    assert taken(staff, quote) == ["1"]
    assert shelf(staff) == ("2", "2", "0")
    assert ordered(order(staff, quote, 2)) == 0


def test_new_agreement_without_the_job_releases_the_piece(one_piece: Staff) -> None:
    staff = one_piece
    quote = staff.issued(**HEADS)
    accept(staff, quote)
    other = {**HEADS, "jobs": [{"job": "J-PTO-SEAL"}]}
    staff.act(quote, "revise", other)
    staff.act(quote, "issue")

    accept(staff, quote, 2)

    assert shelf(staff) == ("2", "1", "1")


def test_draw_of_a_promised_piece_makes_its_quote_order_it(one_piece: Staff) -> None:
    staff = one_piece
    quote = staff.issued(**HEADS)
    accept(staff, quote)
    assert ordered(order(staff, quote)) == 0
    assert "start" in staff.get(f"/v1/quotes/{quote}")["acts"]

    move(staff, "draw", "2")

    assert shelf(staff) == ("0", "0", "0")
    told = staff.get(f"/v1/quotes/{quote}")
    assert "start" not in told["acts"]
    history = staff.get(f"/v1/quotes/{quote}/history")["items"]
    assert [one["kind"] for one in history][-1] == "quote.short"
    assert ordered(order(staff, quote)) == 1
    assert "start" in staff.get(f"/v1/quotes/{quote}")["acts"]


def test_finished_work_draws_what_was_reserved(one_piece: Staff) -> None:
    staff = one_piece
    quote = staff.issued(**HEADS)
    accept(staff, quote)
    order(staff, quote)
    staff.act(quote, "start")
    staff.act(quote, "finish", {"unbooked": "Nobody books deliveries here."})

    assert shelf(staff) == ("1", "1", "0")
    newest = staff.get(f"/v1/shelf/{GASKET}")["moves"][0]
    assert (newest["kind"], newest["quote"]) == ("draw", quote)


def test_preview_reads_what_is_free(one_piece: Staff) -> None:
    staff = one_piece

    def stocked() -> list[str]:
        kit = staff.done("/v1/quotes/preview", HEADS).json()["kit"]
        return [one["quantity"] for one in kit["from_stock"] if one["item"] == GASKET]

    assert stocked() == ["1"]
    move(staff, "draw", "1")
    assert stocked() == []
    move(staff, "receive", "1", cost="2.40")
    assert stocked() == ["1"]


def test_quote_without_given_stock_is_of_the_shops_file(service: Service) -> None:
    asked = decode(b'{"family":"TB-V68","jobs":[{"job":"J-HEAD-GASKET","cylinder":1}]}', PreviewIn)
    before = service.quote(asked)
    assert before.kit.from_stock

    assert service.quote(asked, Stock()).kit.from_stock == ()

    assert service.quote(asked) == before


def test_shortage_that_was_ordered_and_arrived_is_had_once(one_piece: Staff) -> None:
    staff = one_piece
    quotes = [staff.issued(**HEADS) for _ in range(2)]
    for quote in quotes:
        accept(staff, quote)
    made = order(staff, quotes[1])
    assert ordered(made) == 1
    for one in made["items"]:
        receive_all(staff, one["id"])
    reserved = shelf(staff)[1]
    assert reserved == "3"

    again = order(staff, quotes[1])

    assert (again["items"], again["surplus"]) == ([], [])
    move(staff, "receive", "5", bin="G2-5")
    staff.act(quotes[1], "revise", HEADS)
    staff.act(quotes[1], "issue")
    accept(staff, quotes[1], 2)
    assert shelf(staff)[1] == reserved
    assert ordered(order(staff, quotes[1], 2)) == 0


def receive_all(staff: Staff, number: str) -> None:
    """Send an order, and receive all that it asks for."""
    path = f"/v1/orders/{number}"
    for act in ("send", "receipts"):
        answer = staff.client.get(path)
        lines = [{"line": one["line"], "packs": one["packs"]} for one in answer.json()["lines"]]
        send = {"means": "portal", "reference": "S-1", "without_advance": "Known."}
        how = send if act == "send" else {"lines": lines}
        staff.done(f"{path}/{act}", {"by": "Owner", **how}, answer.headers["ETag"])
