"""A German supplier's file of 20,000 numbers, as a spreadsheet program saves it, over HTTP: the
bad rows are told, then all of it is read, compared, applied, looked up and undone.
"""

from collections.abc import Iterator
from decimal import Decimal
from pathlib import Path
from typing import Any

import httpx
import pytest
from tests.desks import run_live
from tests.web.calls.test_prices import PREVIEW, act, send

from kitwright.examination import read_sound
from kitwright.settings import built_in_catalog

ROWS = 20_000
HEAD = (
    "Preisliste Frühjahr;;;;;;;;",
    "",
    "Artikel-Nr.;Hersteller;OE-Nummer;Bezeichnung;UVP;EK netto;VE;Verfügbarkeit;Lieferzeit",
)
FIRST = len(HEAD) + 1
"""The line of the first number."""
COST = Decimal("0.07")
"""Of the catalogue's parts."""
BAD = {
    1_000: ("EK netto", "billig", "not-an-amount"),
    9_999: ("VE", "zehn", "not-a-count"),
    19_999: ("UVP", "34.5", "other-decimal-sign"),
}
"""Place -> the column, the value, and the code of its error."""


def german(amount: Decimal) -> str:
    """Return an amount as a German spreadsheet shows it."""
    return f"{amount:,.2f}".translate(str.maketrans(",.", ".,")) + " €"


def rows() -> list[list[str]]:
    """Return the rows: the catalogue's parts at one cost, then others."""
    parts = [*read_sound(built_in_catalog()).parts.values()]
    found = []
    for place in range(ROWS):
        cost = COST if place < len(parts) else Decimal(100 + place * 7 % 250_000) / 100
        part = parts[place] if place < len(parts) else None
        found.append(
            [
                f"EB-{place:05d}" if part is None else f"EB-{part.id}",
                "Tarnbeck" if part is None else part.maker,
                "" if part is None else part.id,
                '"Dichtung ""groß""; für Öl"' if place % 3 else "Schraube M8 × 1,25",
                german(cost * 2),
                german(cost),
                "10" if place % 5 == 4 else "1",
                ("lieferbar", "nicht lieferbar")[place % 7 == 6],
                ("2 Tage", "3 Wochen")[place % 7 == 6],
            ]
        )
    return found


def saved(found: list[list[str]], encoding: str) -> bytes:
    return "".join(f"{line}\r\n" for line in (*HEAD, *map(";".join, found))).encode(encoding)


@pytest.fixture(scope="module")
def client(tmp_path_factory: pytest.TempPathFactory) -> Iterator[httpx.Client]:
    folder: Path = tmp_path_factory.mktemp("data")
    with run_live(folder, "--shop", "orchard") as live:
        headers = {"Authorization": f"Bearer {live.key}"}
        with httpx.Client(base_url=live.address, headers=headers, timeout=120) as opened:
            yield opened


def costs(client: httpx.Client) -> set[str]:
    answer = client.post("/v1/quotes/preview", json=PREVIEW)
    assert answer.status_code == 200, answer.text
    return {line["unit_cost"] for order in answer.json()["orders"] for line in order["lines"]}


def test_bad_rows_of_a_german_file_are_named_and_nothing_is_applied(client: httpx.Client) -> None:
    found = rows()
    columns = HEAD[-1].split(";")
    for place, (column, value, _) in BAD.items():
        found[place][columns.index(column)] = value
    before = costs(client)

    file = send(client, saved(found, "cp1252"), "EBHT")

    assert (file["state"], file["error_count"]) == ("refused", len(BAD))
    told = [(one["line"], one["column"], one["value"], one["code"]) for one in file["errors"]]
    assert told == [(FIRST + place, *BAD[place]) for place in BAD]
    assert all(one["reason"] for one in file["errors"])
    assert act(client, f"/v1/price-files/{file['id']}/apply").status_code == 409
    assert costs(client) == before
    assert client.get("/v1/price-book/revisions").json()["in_force"] is None


@pytest.mark.parametrize("encoding", ["cp1252", "utf-8-sig"])
def test_german_file_is_read_compared_applied_looked_up_and_undone(
    client: httpx.Client, encoding: str
) -> None:
    before = costs(client)

    file = send(client, saved(rows(), encoding), "EBHT")

    assert (file["state"], file["errors"], file["numbers"]) == ("read", [], ROWS)
    told = file["difference"]
    counted = {name: one["count"] for name, one in told.items() if isinstance(one, dict)}
    assert counted["new"] + counted["dearer"] + counted["cheaper"] <= ROWS
    assert counted["new"] > ROWS - 1_000
    assert costs(client) == before

    applied = act(client, f"/v1/price-files/{file['id']}/apply")
    assert applied.status_code == 200, applied.text
    assert client.get("/v1/price-book/revisions").json()["in_force"] == applied.json()["revision"]
    # the very next preview has the new prices
    assert "0.07" in costs(client)
    for typed, number in (("eb 17 003", "EB-17003"), ("EB19999", "EB-19999")):
        item = look_up(client, typed)
        place = int(number[3:])
        assert item["number"] == number
        assert Decimal(item["cost"]) == Decimal(100 + place * 7 % 250_000) / 100

    undone = act(client, "/v1/price-book/back", {"revision": applied.json()["revision"]})
    assert (undone.status_code, undone.json()["in_force"]) == (200, None)
    assert costs(client) == before


def look_up(client: httpx.Client, typed: str) -> dict[str, Any]:
    found = client.get("/v1/price-book", params={"find": typed}).json()["items"]
    assert len(found) == 1, found
    item: dict[str, Any] = found[0]
    return item
