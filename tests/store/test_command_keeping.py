"""The commands that look after what is kept, as a person runs them."""

from contextlib import closing
from pathlib import Path
from typing import Any

import pytest
from tests.store.conftest import Run
from tests.store.pictures import a_png
from tests.store.small import STAMP, a_photo, an_order, figures

from kitwright.documents.scripts import SAMPLES
from kitwright.keeping.life import keep_quote
from kitwright.keeping.mail import queue_mail, queue_order_mail
from kitwright.keeping.offer import issue
from kitwright.keeping.record import KeptQuote
from kitwright.keeping.store import Records
from kitwright.store.engine import FILE, SqliteStore
from kitwright.store.files import PhotoFiles
from kitwright.store.lock import hold_folder


@pytest.fixture
def shop(tmp_path: Path) -> Path:
    folder = tmp_path / "shop"

    def work(records: Records) -> None:
        quote = issue(records, STAMP, keep_quote(records, STAMP, figures()))
        records.photos.add(a_photo(quote.number, sha256=PhotoFiles(folder).put(a_png())))

    with closing(SqliteStore.open(folder)) as store:
        store.write_now(work)
    return folder


def test_backup_and_restore_tell_what_they_did(run: Run, shop: Path, tmp_path: Path) -> None:
    target, regained = tmp_path / "monday.tar", tmp_path / "regained"

    code, said, complaint = run("backup", target, "--data", shop)
    assert (code, complaint) == (0, "")
    assert said == f"backed up: the database and 1 photograph in {target}\n"

    code, said, complaint = run("restore", target, "--data", regained)
    assert (code, complaint) == (0, "")
    restored, *rest = said.splitlines()
    assert restored.startswith("restored: the database and 1 photograph, as of 2")
    assert restored.endswith(f"+00:00, in {regained}")
    assert rest[0].startswith("missing: everything done after that (")
    assert rest[1].startswith("no ledger newer than the backup is known")
    assert rest[-2:] == [
        "the folder is held: no e-mail, webhook event or link goes out yet",
        f"next: kitwright release --data {regained}",
    ]

    code, said, complaint = run("doctor", "--data", regained)
    assert (code, complaint) == (0, "")
    assert said.endswith(f"no error in {regained}\n")


def test_backup_names_a_lost_photograph(run: Run, shop: Path, tmp_path: Path) -> None:
    (lost,) = PhotoFiles(shop).every()
    PhotoFiles(shop).drop(lost)

    code, said, complaint = run("backup", tmp_path / "monday.tar", "--data", shop)

    assert code == 0
    assert "0 photographs" in said
    assert complaint == f"photograph {lost} has no file, so it is not in the backup\n"


def test_doctor_prints_a_line_a_finding(run: Run, shop: Path) -> None:
    (lost,) = PhotoFiles(shop).every()
    PhotoFiles(shop).drop(lost)

    code, said, complaint = run("doctor", "--data", shop)

    assert code == 1
    assert f"error missing-photo: photograph {lost} has no file" in said.splitlines()
    assert complaint == f"1 error in {shop}\n"


def test_doctor_says_which_scripts_can_be_printed(run: Run, shop: Path) -> None:
    code, said, _ = run("doctor", "--data", shop)

    notes = dict(
        line.removeprefix("note ").split(": ", 1)
        for line in said.splitlines()
        if line.startswith("note scripts-")
    )
    assert code == 0
    assert "documents show Latin, Greek, Cyrillic" in notes["scripts-printed"]
    # whatever this machine has, each script is told of once
    together = " ".join(notes.values())
    assert all(together.count(name) >= 1 for name in SAMPLES)


@pytest.mark.parametrize(
    ("arguments", "told"),
    [
        (("backup", "monday.tar", "--data", "nowhere"), f"there is no {FILE} in nowhere"),
        (("restore", "monday.tar", "--data", "new"), "monday.tar"),
        (("restore", "monday.tar", "--data", "shop"), "already has a database"),
        (("backup", "shop/kitwright.db", "--data", "shop"), "already exists"),
    ],
)
def test_command_that_fails_says_why(
    run: Run,
    shop: Path,
    monkeypatch: pytest.MonkeyPatch,
    arguments: tuple[str, ...],
    told: str,
) -> None:
    monkeypatch.chdir(shop.parent)

    code, said, complaint = run(*arguments)

    assert (code, said) == (1, "")
    assert told in complaint
    assert complaint.count("\n") == 1


PRICES = (
    "Part number;Description;Retail price;Dealer net price;Pack size\nV68 K 011;Seal;9,00;4,50;1\n"
)


def test_prices_are_applied_beside_a_service_and_beside_nothing_else(
    run: Run, shop: Path, tmp_path: Path
) -> None:
    file = tmp_path / "december.csv"
    file.write_text(PRICES, encoding="utf-8")
    asked = ("prices", "read", file, "--supplier", "ALDQ", "--apply", "--data", shop)

    with hold_folder(shop, "kitwright restore"):
        code, said, complaint = run(*asked)
    assert (code, said) == (1, "")
    assert "is in use by kitwright restore (process " in complaint
    assert run("prices", "find", "V68K011", "--data", shop)[:2] == (1, "")

    with hold_folder(shop, "kitwright serve"):
        code, said, _ = run(*asked)
        assert code == 0, said
        assert "applied: price revision 1, supplier ALDQ" in said

    code, said, _ = run("prices", "back", "--data", shop)
    assert (code, said) == (0, "in force again: the prices of the catalogue\n")


def test_repair_takes_no_folder_in_use(run: Run, shop: Path) -> None:
    with hold_folder(shop, "kitwright serve"):
        code, said, complaint = run("doctor", "--repair", "--data", shop)

    assert (code, said) == (1, "")
    assert "is in use by kitwright serve (process " in complaint
    assert run("doctor", "--repair", "--data", shop)[0] == 0


def test_release_tells_what_would_go_out_and_waits_for_a_choice(
    run: Run, shop: Path, tmp_path: Path
) -> None:
    def work(records: Records) -> None:
        to: dict[str, Any] = {"to": "a@b.example", "body": b""}
        queue_mail(records, STAMP, quote_of(records), revision=1, message_id="<1@b>", **to)
        number = records.orders.add(an_order(1)).number
        queue_order_mail(records, STAMP, order=number, message_id="<2@b>", **to)

    with closing(SqliteStore.open(shop)) as store:
        store.write_now(work)
    target, regained = tmp_path / "monday.tar", tmp_path / "regained"
    run("backup", target, "--data", shop)
    run("restore", target, "--data", regained)

    code, said, complaint = run("release", "--data", regained)

    assert (code, complaint) == (0, "")
    assert "  2 e-mails that may have been sent after the backup: Q1, O1" in said.splitlines()
    assert said.splitlines()[-1] == (
        f"  kitwright release --data {regained} --yes --confirm --mail drop (or send)"
    )
    code, _, complaint = run("release", "--data", regained, "--yes", "--confirm")
    assert code == 1
    assert "2 e-mails wait and may have been sent" in complaint
    code, said, _ = run("release", "--data", regained, "--yes", "--confirm", "--mail", "drop")
    assert (code, said.splitlines()[-1][:8]) == (0, "released")
    code, said, _ = run("release", "--data", regained)
    assert said.startswith("this folder is not held")


def quote_of(records: Records) -> KeptQuote:
    quote = records.quotes.get(1)
    assert quote is not None
    return quote
