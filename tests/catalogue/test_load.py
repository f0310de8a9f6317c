import shutil
from collections.abc import Callable
from pathlib import Path

import pytest

from kitwright.catalogue.load import load_catalogue
from kitwright.catalogue.model import Catalogue, ItemId, SupplierId
from kitwright.catalogue.problems import CatalogueUnreadable, Problem
from kitwright.units import Figure

Edited = Callable[..., Path]

V68 = "families/TB-V68.toml"
YARD = "shops/hire-yard.toml"
CSV = "suppliers/DLWY.csv"


def problems_of(folder: Path) -> tuple[Problem, ...]:
    with pytest.raises(CatalogueUnreadable) as caught:
        load_catalogue(folder)
    return caught.value.problems


def only_problem_of(folder: Path) -> Problem:
    (problem,) = problems_of(folder)
    return problem


def test_load_catalogue_gathers_every_file(starter: Catalogue, starter_folder: Path) -> None:
    files = {
        path.relative_to(starter_folder).as_posix()
        for path in starter_folder.rglob("*")
        if path.is_file()
    }

    assert starter.heads.keys() == files - {"README.md"}
    assert list(starter.heads) == sorted(starter.heads)
    assert all(head.source for head in starter.heads.values())
    assert starter.parts.keys().isdisjoint(starter.sets.keys() | starter.consumables.keys())
    assert starter.fitments.keys() == starter.families.keys()
    assert starter.diagnoses.keys() == {row.code for row in starter.rules.diagnosis}


def test_load_catalogue_reads_offers_of_a_csv_file(starter: Catalogue) -> None:
    offers = {offer.sku: offer for offer in starter.suppliers[SupplierId("DLWY")].offer}

    oil = offers["D-OIL-1"]
    assert len(offers) == 9
    assert (oil.item, oil.cost, oil.pack, oil.stock) == ("CS-OIL", Figure("4.90"), 1, 200)
    assert [(row.packs, row.cost) for row in oil.breaks] == [(12, Figure("4.30"))]
    assert oil.lead_days is None


def test_load_catalogue_keeps_decimals_as_written(starter: Catalogue) -> None:
    price = starter.parts[ItemId("V68-G-101")].list_price

    assert [type(figure) for figure in price.values()] == [Figure, Figure]
    assert [str(figure) for figure in price.values()] == ["12.90", "12.00"]


def test_load_catalogue_revision_follows_names_and_bytes_only(
    edited: Edited, starter: Catalogue
) -> None:
    folder = edited()
    assert load_catalogue(folder).revision == starter.revision

    (folder / "README.md").unlink()
    assert load_catalogue(folder).revision == starter.revision

    (folder / YARD).write_bytes((folder / YARD).read_bytes() + b"\n")
    assert load_catalogue(folder).revision != starter.revision


def test_load_catalogue_reads_the_same_twice(starter: Catalogue, starter_folder: Path) -> None:
    assert load_catalogue(starter_folder) == starter


LAST_BAND = '{ percent = "18" }'

BROKEN = {
    "decimal as a float": ("not-a-figure", V68, "$.part[0].list_price[...]", '"12.90"', "12.90"),
    "decimal as an integer": ("not-a-figure", V68, "$.part[0].list_price[...]", '"12.90"', "13"),
    "decimal as nan": ("not-a-figure", V68, "$.part[0].list_price[...]", '"12.90"', "nan"),
    "decimal as NaN": ("not-a-figure", V68, "$.part[0].list_price[...]", '"12.90"', '"NaN"'),
    "decimal as inf": ("not-a-figure", V68, "$.part[0].list_price[...]", '"12.90"', "inf"),
    "decimal with exponent": ("not-a-figure", V68, "$.part[0].list_price[...]", "12.90", "1e2"),
    "decimal with underscore": ("not-a-figure", V68, "$.part[0].list_price[...]", "12.90", "1_2"),
    "decimal of a single file": ("not-a-figure", YARD, "$.parts_price.step", '"0.05"', "0.05"),
    "decimal in a band": (
        "not-a-figure",
        YARD,
        "$.parts_price.bands[4].percent",
        LAST_BAND,
        "{ percent = 18 }",
    ),
    "minutes as a float": (
        "wrong-type",
        "layouts/SH.toml",
        "$.component[0].remove_minutes",
        "remove_minutes = 1",
        "remove_minutes = 1.0",
    ),
    "minutes as text": (
        "wrong-type",
        "layouts/SH.toml",
        "$.component[0].remove_minutes",
        "remove_minutes = 1",
        'remove_minutes = "1"',
    ),
    "minutes as a truth": (
        "wrong-type",
        "layouts/SH.toml",
        "$.component[0].remove_minutes",
        "remove_minutes = 1",
        "remove_minutes = true",
    ),
    "truth as a number": (
        "wrong-type",
        YARD,
        "$.parts_price.is_monotone",
        "is_monotone = true",
        "is_monotone = 1",
    ),
    "rows as a table": ("wrong-type", "flags.toml", "$.flag", "flag = [", "flag = 1\nx = ["),
    "date as text": ("wrong-type", YARD, "$.as_of", "2026-11-25", '"2026-11-25"'),
    "date with a time": ("wrong-type", YARD, "$.as_of", "2026-11-25", "2026-11-25T08:00:00"),
    "unknown key": (
        "unknown-key",
        V68,
        "$.part[2]",
        'id = "V68-G-103",',
        'id = "V68-G-103", x = 1,',
    ),
    "unknown key in a dropped list": (
        "unknown-key",
        YARD,
        "$.labour",
        "basis =",
        "bases = 1\nbasis =",
    ),
    "missing key": ("missing-key", V68, "$.part[2]", 'id = "V68-G-103", ', ""),
    "missing source": ("missing-key", YARD, "$", 'source = "', '# "'),
    "unknown word": (
        "unknown-word",
        V68,
        "$.part[2].quality",
        'Tarnbeck", quality = "maker", list_price = { usd = "14.80"',
        'Tarnbeck", quality = "best", list_price = { usd = "14.80"',
    ),
    "not TOML": ("not-toml", YARD, "", "[labour]", "[labour"),
    "too deep": ("not-toml", YARD, "", "holidays = []", f"holidays = {'[' * 5000}"),
    "key twice": ("not-toml", YARD, "", "[labour]", 'name = "again"\n[labour]\n[labour]'),
    "misnamed": ("file-misnamed", YARD, "", 'id = "hire-yard"', 'id = "hire-yards"'),
    "part twice in a file": ("id-twice", V68, "$.part[1]", 'id = "V68-G-102"', 'id = "V68-G-101"'),
    "part in two files": ("id-twice", V68, "$.part[0]", 'id = "V68-G-101"', 'id = "S50-G-102"'),
    "set named as a part": ("id-twice", V68, "$.set[0]", 'id = "V68-K-010"', 'id = "V68-G-101"'),
    "component twice": (
        "id-twice",
        "layouts/SV.toml",
        "$.component[1]",
        'id = "blower_housing"',
        'id = "air_cleaner"',
    ),
    "alias twice": (
        "id-twice",
        "layouts/SV.toml",
        "$.alias[1]",
        "alias = [",
        'alias = [\n  { name = "intake_joint", component = "muffler" },',
    ),
    "override twice": (
        "id-twice",
        "families/QM-D74.toml",
        "$.override[1]",
        'component = "breather"',
        'component = "head"',
    ),
    "work twice in a job": (
        "id-twice",
        "jobs.toml",
        "$.job[0].work[1]",
        'id = "leakdown"',
        'id = "warm_up"',
    ),
    "diagnosis twice": (
        "id-twice",
        "diagnosis.toml",
        "$.diagnosis[1]",
        'code = "HG-OUTSIDE"',
        'code = "HG-GALLERY"',
    ),
    "order number twice": (
        "id-twice",
        "suppliers/ALDQ.toml",
        "$.offer[1]",
        "AQ-V68G103",
        "AQ-V68K011",
    ),
}


@pytest.mark.parametrize("name", BROKEN)
def test_load_catalogue_names_what_is_wrong(edited: Edited, name: str) -> None:
    code, file, record, old, new = BROKEN[name]

    problem = only_problem_of(edited((file, old, new)))

    assert (problem.code, problem.file, problem.record) == (code, file, record), str(problem)
    assert problem.message


BROKEN_ROWS = {
    "cost no decimal": ("not-a-figure", "line 4.cost", "4.90", "4.9.0"),
    "cost missing": ("missing-key", "line 4", "alternate,4.90", "alternate,"),
    "quality unknown": (
        "unknown-word",
        "line 5.quality",
        "Delloway,alternate,3.80",
        "Delloway,best,3.80",
    ),
    "stock no whole number": ("wrong-cell", "line 4", ",200,", ",2e2,"),
    "stock negative": ("wrong-cell", "line 4", ",200,", ",-1,"),
    "break without a cost": ("wrong-cell", "line 4", "12:4.30", "12"),
    "break with a comma": ("wrong-columns", "line 4", "12:4.30,200,,", "12:4,30,200,1,2"),
    "break no decimal": ("not-a-figure", "line 4.breaks[0].cost", "12:4.30", "12:4..30"),
    "columns renamed": ("wrong-columns", "line 3", "item,sku", "part,sku"),
    "day that is none": ("wrong-type", "$.as_of", "2026-11-25", "2026-11-31"),
    "date otherwise": ("wrong-type", "$.as_of", "2026-11-25", "25.11.2026"),
    "quote left open": ("not-csv", "line 12", "D-OIL-1", '"D-OIL-1'),
    "order number twice": ("id-twice", "line 5", "D-BRKCL", "D-OIL-1"),
}


@pytest.mark.parametrize("name", BROKEN_ROWS)
def test_load_catalogue_names_the_line_of_a_bad_csv_row(edited: Edited, name: str) -> None:
    code, record, old, new = BROKEN_ROWS[name]

    problem = only_problem_of(edited((CSV, old, new)))

    assert (problem.code, problem.file, problem.record) == (code, CSV, record), str(problem)


def test_load_catalogue_names_every_problem_of_a_csv_head(edited: Edited) -> None:
    folder = edited((CSV, "as_of,2026-11-25\nsource,invented\n", ""))

    assert {problem.code for problem in problems_of(folder)} == {"missing-key", "wrong-columns"}


def test_load_catalogue_lets_be_what_spreadsheets_add(edited: Edited, starter: Catalogue) -> None:
    folder = edited((CSV, "as_of,2026-11-25", "as_of,2026-11-25,,,,,"))
    (folder / CSV).write_text(
        "\ufeff" + (folder / CSV).read_text().replace("\n", "\r\n") + ",,,,\r\n\r\n",
        encoding="utf-8",
        newline="",
    )

    supplier = SupplierId("DLWY")
    assert load_catalogue(folder).suppliers[supplier] == starter.suppliers[supplier]


def test_load_catalogue_refuses_offers_in_two_places(edited: Edited) -> None:
    row = '{ item = "CS-OIL", sku = "1", brand = "B", quality = "maker", cost = "1" }'
    folder = edited(("suppliers/DLWY.toml", "ships_hazmat", f"offer = [{row}]\nships_hazmat"))

    problem = only_problem_of(folder)

    assert (problem.code, problem.file) == ("offers-in-two-places", CSV)


def test_load_catalogue_refuses_offers_without_a_supplier(edited: Edited) -> None:
    folder = edited()
    (folder / "suppliers/DLWY.toml").unlink()

    problem = only_problem_of(folder)

    assert (problem.code, problem.file) == ("offers-alone", CSV)


@pytest.mark.parametrize(
    "file",
    [
        ".DS_Store",
        ".git/config",
        ".git/hooks/x.toml",
        "shops/.hire-yard.toml",
        "shops/.#hire-yard.toml",
        "shops/.hire-yard.toml.swp",
        "shops/hire-yard.toml~",
        "shops/#hire-yard.toml#",
        "shops/hire-yard.toml.bak",
        "shops/hire-yard.toml.orig",
        "shops/hire-yard.toml.old",
        "shops/hire-yard.toml.rej",
        "suppliers/DLWY.csv.tmp",
        "suppliers/~$DLWY.csv",
        "suppliers/.~lock.DLWY.csv#",
        "families/Thumbs.db",
        "notes.txt",
        "shops/NOTES.MD",
        "ours/prices/how.txt",
    ],
)
def test_load_catalogue_passes_over_hidden_files_copies_and_notes(
    edited: Edited, starter: Catalogue, file: str
) -> None:
    folder = edited()
    (folder / file).parent.mkdir(parents=True, exist_ok=True)
    (folder / file).write_bytes(b"\xff not even text")

    assert load_catalogue(folder) == starter


@pytest.mark.parametrize(
    "file",
    [
        "notes",
        "shops/notes.html",
        "shops/hire-yard.tml",
        "shops/hire-yard.toml2",
        "shops/hire-yardbak",
        "taxes/x.toml",
        "tax/a/b.toml",
        "suppliers/DLWY.ods",
    ],
)
def test_load_catalogue_refuses_a_file_it_does_not_know(edited: Edited, file: str) -> None:
    folder = edited()
    (folder / file).parent.mkdir(parents=True, exist_ok=True)
    (folder / file).write_text("as_of = 2026-11-25\n")

    problem = only_problem_of(folder)

    assert (problem.code, problem.file) == ("file-unknown", file)


@pytest.mark.parametrize("file", ["jobs.toml", "hazards.toml", "flags.toml", "overruns.toml"])
def test_load_catalogue_misses_a_file_it_needs(edited: Edited, file: str) -> None:
    folder = edited()
    (folder / file).unlink()

    problem = only_problem_of(folder)

    assert (problem.code, problem.file) == ("file-missing", file)


def test_load_catalogue_misses_the_last_file_of_a_folder(edited: Edited) -> None:
    folder = edited()
    shutil.rmtree(folder / "shops")

    problem = only_problem_of(folder)

    assert (problem.code, problem.file) == ("file-missing", "shops/")


def test_load_catalogue_does_without_chassis(edited: Edited) -> None:
    folder = edited()
    shutil.rmtree(folder / "chassis")

    assert load_catalogue(folder).chassis == {}


def test_load_catalogue_names_a_file_it_cannot_open(edited: Edited) -> None:
    folder = edited()
    (folder / "shops/lost.toml").symlink_to(folder / "nowhere.toml")

    problem = only_problem_of(folder)

    assert (problem.code, problem.file) == ("file-unreadable", "shops/lost.toml")


@pytest.mark.parametrize("file", [YARD, CSV])
def test_load_catalogue_refuses_other_encodings(edited: Edited, file: str) -> None:
    folder = edited()
    (folder / file).write_bytes((folder / file).read_bytes() + "# caf\u00e9".encode("latin-1"))

    problem = only_problem_of(folder)

    assert (problem.code, problem.file) == ("not-utf-8", file)


def test_load_catalogue_names_a_folder_that_is_not_there(tmp_path: Path) -> None:
    assert only_problem_of(tmp_path / "nowhere").code == "folder-missing"


def test_load_catalogue_reports_the_problems_of_all_files_and_rows_at_once(edited: Edited) -> None:
    folder = edited(
        (V68, '"12.90"', "12.90"),
        (V68, '"13.90"', "13.90"),
        (V68, "cylinders = 2", 'cylinders = "2"'),
        ("layouts/SH.toml", "remove_minutes = 1", "remove_minutes = 1.0"),
        (YARD, "[labour]", "[labour"),
        (CSV, "4.90", "4,90"),
    )
    (folder / "notes.html").touch()

    problems = problems_of(folder)

    assert sorted((problem.file, problem.code) for problem in problems) == [
        (V68, "not-a-figure"),
        (V68, "not-a-figure"),
        (V68, "wrong-type"),
        ("layouts/SH.toml", "wrong-type"),
        ("notes.html", "file-unknown"),
        (YARD, "not-toml"),
        (CSV, "wrong-cell"),
    ]


def test_catalogue_unreadable_reads_as_one_problem_a_line(edited: Edited) -> None:
    folder = edited((V68, '"12.90"', "12.90"), (YARD, "[labour]", "[labour"))

    with pytest.raises(CatalogueUnreadable) as caught:
        load_catalogue(folder)

    first, second = str(caught.value).splitlines()
    assert first.startswith("families/TB-V68.toml: $.part[0].list_price[...]: V68-G-101: 12.9")
    assert first.endswith("[not-a-figure]")
    assert second.startswith("shops/hire-yard.toml: Expected")
