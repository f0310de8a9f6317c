"""Every field of the catalogue changes an answer of the service.

How: a field is changed in all records of its kind at once (`mutation.py`), and the questions of
`answers.py` are asked of the catalogue with the change until one is answered otherwise. What breaks
is an answer too: a reference that leads nowhere shows that it is followed. The question that told a
field before is asked first (`told_by.json`), so that most fields need one. Those that are known not
to count are changed all at once, and all questions are asked of that once.

Some settings are only read beside others that the starter shops don't have; `others` has them, and
is asked where the starter's own answers stay the same.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping
from datetime import date
from functools import cache
from pathlib import Path
from typing import Any, Final

from msgspec import Struct, structs
from tests.catalogue.answers import (
    REPOSITORY,
    Question,
    World,
    assessment,
    documents,
    kept,
    preview,
    records,
)
from tests.catalogue.mutation import Apply, Known, Place, changed, changes, ids_known, places

from kitwright.catalogue.load import FILES, FOLDERS, Records, assemble, read_records
from kitwright.catalogue.model import (
    Collection,
    DiagnosticCredit,
    Element,
    FileHead,
    ItemId,
    JobsFile,
    OverrunId,
    PriceForm,
    PriceRule,
    Record,
    Seller,
    Shop,
    StockRow,
    Use,
)
from kitwright.units import Figure

ASIDE: Final = {
    "FileHead.as_of": "when figures are of: a warning where they are old or of the future",
    "FileHead.source": "where figures come from: a file without it is refused",
    "Background.reason": "why its odds are what they are: each needs one",
    "Diagnosis.reasons": "why its links and its share of complaints are: each needs one",
    "FindingKind.reason": "why its base is what it is: each needs one",
    "FlaggedLinks.reason": "why other links hold: each needs one",
    "FlagsFile.flag": "the flags that there are: a slip in one that a family carries is refused",
    "Flag.id": "the same",
    "PriceListsFile.price_list": "the lists that there are: parts and shops name them",
    "PriceList.id": "the same",
    "PriceList.currency": "a shop that sells by it must sell in it",
    "PriceList.includes_tax": "so must a shop that sells by it",
    **{
        f"PriceForm.{field}": "how its price files are read: `tests/prices` reads files by it"
        for field in PriceForm.__struct_fields__
    },
    "Supplier.price_file": "the same",
    "Shop.translations": "its own texts in another language: `tests/web/calls/test_tickets.py`",
    "Purchasing.tells_slips": "letters of parts that come later: `tests/web/calls/test_slips.py`",
    "Component.needs_free": "what must wait while something is held: in no starter plan does it"
    " decide alone; `tests/stages/work_plan` has plans where it does",
    "Work.needs_free": "the same",
    "VisitWork.needs_free": "the same",
    "VisitWork.runs": "that the engine runs: `tests/stages/work_plan` has plans where it decides",
    **{
        f"Supplier.{field}": "deadlines of claims: `tests/web/calls/test_claims.py`"
        for field in ("warranty_days", "claim_days")
    },
    **{
        f"Collection.{field}": "when a machine is asked for: `tests/web/calls/test_waiting.py`"
        for field in Collection.__struct_fields__
    },
    "Labour.basis": "which minutes are paid: `tests/stages/billing` bills by each",
    **{
        f"Seller.{field}": "what invoices say of the shop: `tests/keeping/test_invoicing.py`"
        for field in Seller.__struct_fields__
    },
    "Reading.derived": "how it follows from others: a reading has this or a test",
}
"""Fields that change no answer on the starter catalogue, each with what reads it and why."""

_ENGINE: Final = {"family": "QM-H27", "serial": 2140077, "chassis": "PW-G5"}
COURSES: Final = {
    **_ENGINE,
    "diagnoses": [{"code": "RINGS-BORE", "cylinder": 1}],
    "courses": ["least", "recommended", "thorough", "replace"],
}
EXHAUST: Final = {**_ENGINE, "jobs": [{"job": "J-EXHAUST-GASKET"}, {"job": "J-OIL"}]}

TOLD_BY: Final = Path(__file__).parent / "told_by.json"

ROOTS: Final[tuple[type[Struct], ...]] = (FileHead, *FOLDERS.values(), *FILES.values())


@cache
def starter() -> Records:
    return read_records(REPOSITORY / "catalog")


@cache
def others() -> Records:
    """Return the starter's records with settings that they don't have."""

    def other(record: Record) -> Record:
        if isinstance(record, JobsFile):
            used = (Use(item=ItemId("CS-CLEANER"), quantity=Figure("0.2"), unit="can"),)
            visits = tuple(structs.replace(row, uses=used) for row in record.visit_work)
            # without them, what visit work says of its own order decides
            ticks = tuple(row for row in record.tick if "V-LEAK-AFTER" not in row.before)
            return structs.replace(record, visit_work=visits, tick=ticks)
        if not isinstance(record, Shop):
            return record
        rule = structs.replace(
            record.parts_price, rule=PriceRule.margin, margin_percent=Figure("40")
        )
        fees = structs.replace(
            record.fees,
            diagnostic_credit=DiagnosticCredit.partial_percent,
            diagnostic_credit_percent=Figure("50"),
        )
        sets = StockRow(item=ItemId("H27-K-011"), on_hand=3, bin="K1", cost=Figure("1.00"))
        return structs.replace(
            record,
            parts_price=rule,
            fees=fees,
            stock=(*record.stock, sets),
            overrun=OverrunId("ohio-repairs") if record.currency == "USD" else None,
        )

    kept = {file: other(record) for file, record in starter().records.items()}
    awkward = {Place(Element, "awkward"): lambda _: True}
    found: Records = changed(structs.replace(starter(), records=kept), awkward)
    return found


def request_of(name: str) -> tuple[str, dict[str, Any]]:
    path = REPOSITORY / "tests" / "cases" / f"{name}.request.json"
    case = json.loads(path.read_text(encoding="utf-8"))
    return case["shop"], case["request"]


def findings_of(name: str) -> dict[str, Any]:
    found: dict[str, Any] = json.loads((REPOSITORY / name).read_text(encoding="utf-8"))
    return found


SHORT_BLOCK: Final = {
    "family": "TB-V68",
    "serial": 3200000,
    "chassis": "loose",
    "jobs": [{"job": "J-SHORT-BLOCK"}],
}
"""A part that is ordered specially, and whose old one goes back."""
CLASHING: Final = {
    "family": "QM-D74",
    "background": ["overheated", "recent_head_work"],
    "engine": {"crankcase_vacuum": "weak"},
    "cylinders": [
        {
            "cylinder": 1,
            "leakdown": {"supply": "100", "in_cylinder": "97"},
            "findings": {"air_exhaust": "yes"},
        },
        {
            "cylinder": 2,
            "leakdown": [
                {"supply": "60", "in_cylinder": "61"},
                {"supply": "50", "in_cylinder": "38"},
            ],
            "findings": {"wet_test_improves": "yes", "plug_oil": "yes"},
        },
    ],
}
"""Gauges against ears on one cylinder, too little pressure on the other."""
LEAKING: Final = {
    "family": "QM-H27",
    "engine": {
        "smoke_constant": "yes",
        "smoke_black": "yes",
        "oil_fuel_smell": "yes",
        "oil_level_over": "yes",
    },
    "cylinders": [
        {
            "cylinder": 1,
            "leakdown": {"supply": "90", "in_cylinder": "62"},
            "findings": {"air_exhaust": "yes", "air_dipstick": "no"},
        },
    ],
}
"""A valve that is told of by its sound alone, and fuel that explains smoke of two colours."""

CASES: Final = (
    "h27-loose-plug-thread",
    "h27-generator-exhaust-valve",
    "v68-zero-turn-warped-heads",
    "s50-walk-behind-breather-discount-and-prepaid",
    "d74-loose-flywheel-seal",
    "d74-loose-head-bolt-thread",
    "d74-tractor-fuel-in-oil-thorough",
    "d74-tractor-gasket-in-time",
    "d74-tractor-intake-gaskets",
    "d74-zero-turn-breather",
    "h27-generator-discounts",
    "s50-tractor-replacement-engine",
    "v68-zero-turn-exempt",
    "v68-zero-turn-oil-for-fourteen",
    "v68-tractor-one-head",
    "d74-loose-stem-seals",
    "h27-washer-output-seal",
)


@cache
def questions() -> dict[str, Question]:
    """Return what is asked, by name."""
    asked = {f"records of {shop}": records(shop) for shop in ("hire-yard", "orchard")}
    # what may turn up takes long, and is asked for once
    asked |= {
        name: preview(shop, request | {"contingencies": name == CASES[0]})
        for name, (shop, request) in ((name, request_of(name)) for name in CASES)
    }
    for name in (
        "openapi/examples/assessFindings.readings-to-repeat.json",
        "openapi/examples/assessFindings.nothing-yet.json",
    ):
        asked[name] = assessment("hire-yard", findings_of(name))
    for name in ("openapi/examples/previewQuote.findings-before-a-repair.json",):
        asked[name] = preview("hire-yard", findings_of(name))
    asked["clashing findings"] = assessment("hire-yard", CLASHING)
    asked["a leaking valve"] = assessment("hire-yard", LEAKING)
    shop, request = request_of("d74-tractor-gasket-in-time")
    asked["documents"] = documents(shop, request)
    asked["courses"] = preview("hire-yard", COURSES | {"worth": {"value": "900"}})
    asked["courses of a dear machine"] = preview(
        "hire-yard", COURSES | {"worth": {"value": "1500"}}
    )
    asked["an exhaust gasket"] = preview("hire-yard", EXHAUST)
    asked["kept"] = kept(shop, request)
    asked["ordered specially"] = kept("orchard", SHORT_BLOCK)
    return asked


class Bench:
    """Finds which changes of some records no question tells.

    Args:
        read: the records.
        world: what answers questions on such records.
        asked: the questions, by name.
    """

    def __init__(
        self, read: Struct, world: Callable[[Any], World], asked: Mapping[str, Question]
    ) -> None:
        self._read = read
        self._world = world
        self._asked = dict(asked)
        self._told: dict[str, bytes] = {}
        self._plain = world(read)
        self.known: Known = ids_known(read)

    def tells(self, applied: Mapping[Place, Apply], only: str | None = None) -> bool:
        """Return whether anything is answered otherwise with some changes, or one question."""
        read = changed(self._read, applied)
        if read is self._read:
            return False
        try:
            world = self._world(read)
        except Exception:  # noqa: BLE001 - what can't even be put together is read
            return True
        asked = self._asked if only is None else {only: self._asked[only]}
        for name, question in list(asked.items()):
            if name not in self._told:
                self._told[name] = self._plain.answer(question)
            if world.answer(question) != self._told[name]:
                # whatever told this change is likely to tell the next
                self._asked = {name: question} | self._asked
                return True
        return False

    def counts(self, place: Place, only: str | None = None) -> bool:
        """Return whether any change of a field is told, by any question or by one only."""
        return any(self.tells({place: apply}, only) for apply in changes(place, self.known))

    def teller(self) -> str:
        """Return the question that told the last change."""
        return next(iter(self._asked))


def unread(
    benches: list[Bench], found: list[Place], told_by: Mapping[str, str] | None = None
) -> list[str]:
    """Return the fields that count on none of some benches.

    `told_by` names the question that is likely to tell a field: it is asked first, on all benches,
    and if it tells nothing, all are.
    """
    known = told_by or {}

    def counts(place: Place) -> bool:
        name = known.get(str(place))
        if name is not None and any(bench.counts(place, name) for bench in benches):
            return True
        return any(bench.counts(place) for bench in benches)

    return [str(place) for place in found if not counts(place)]


@cache
def benches() -> list[Bench]:
    def world(read: Records) -> World:
        return World(assemble(read))

    return [Bench(read(), world, questions()) for read in (starter, others)]


def told_by() -> dict[str, str]:
    """Return which question told each field once: of no weight, but asked first it spares time.

    `python -m tests.catalogue.test_every_field_counts` writes it anew.
    """
    found: dict[str, str] = json.loads(TOLD_BY.read_text(encoding="utf-8"))
    return {place: name for place, name in found.items() if name in questions()}


def write_told_by() -> None:
    """Write down which question tells each field that counts, as found without what was written."""
    found = {}
    for place in places(*ROOTS):
        if str(place) not in ASIDE:
            bench = next((bench for bench in benches() if bench.counts(place)), None)
            if bench is not None:
                found[str(place)] = bench.teller()
    TOLD_BY.write_text(json.dumps(found, indent=1, sort_keys=True) + "\n", encoding="utf-8")


def test_every_field_changes_an_answer() -> None:
    found = [place for place in places(*ROOTS) if str(place) not in ASIDE]

    assert unread(benches(), found, told_by()) == []


def test_fields_on_the_lists_are_fields_and_change_nothing() -> None:
    """Once one counts, it comes off its list."""
    listed = [place for place in places(*ROOTS) if str(place) in ASIDE]
    assert {str(place) for place in listed} == ASIDE.keys()

    for bench in benches():
        first = {place: next(changes(place, bench.known)) for place in listed}
        if bench.tells(first):
            assert [str(place) for place in listed if bench.counts(place)] == []


class Hook(Struct, frozen=True):
    """A place on a wall."""

    height: int
    colour: str


class Wall(Struct, frozen=True):
    """Hooks, and what only stands there."""

    name: str
    hooks: tuple[Hook, ...]
    by_word: dict[str, Hook] = {}
    painted: date | None = None


def test_a_field_that_nothing_reads_is_found() -> None:
    wall = Wall(name="north", hooks=(Hook(2, "red"), Hook(3, "blue")))

    def ask(world: Any) -> object:
        return world.catalogue.name, sum(hook.height for hook in world.catalogue.hooks)

    # a world holds whatever its questions look at
    bench = Bench(wall, World, {"how high": ask})

    found = unread([bench], places(Wall))

    assert found == ["Wall.by_word", "Wall.painted", "Hook.colour"]


if __name__ == "__main__":
    write_told_by()
