from collections.abc import Iterator
from decimal import Decimal

from msgspec import structs
from tests.stages.workbench import HEAD, figure, quote, starter, with_role

from kitwright.catalogue.model import Fitment
from kitwright.stages.kit import Need


def needs(found: tuple[Need, ...], role: str) -> list[Need]:
    return [need for need in found if need.role == role]


def three_nuts_later(row: Fitment) -> Iterator[Fitment]:
    yield structs.replace(row, serial_to=3049999)
    yield structs.replace(row, serial_from=3050000, quantity=figure("3"))


def test_fit_role_asks_where_the_plate_decides_how_many() -> None:
    # the same nut, two or three of it: the dearer is priced, and none is ordered
    catalogue = with_role(starter(), "exhaust_nut", three_nuts_later)
    kit = quote(catalogue, jobs=(HEAD,), serial=None).repair.kit
    assert [need.quantity for need in needs(kit.needs, "exhaust_nut")] == [Decimal(3), Decimal(3)]
    assert len(needs(kit.questions, "exhaust_nut")) == 2


def test_fit_role_does_not_ask_where_every_range_ends_in_one_number() -> None:
    found = quote(starter(), jobs=(HEAD,), serial=None).repair.kit
    (gasket,) = needs(found.needs, "head_gasket")
    assert (gasket.item, gasket.options, gasket.acceptable) == (
        "V68-G-103",
        ("V68-G-103",),
        ("V68-G-102", "V68-G-103"),
    )


def test_fit_role_prices_the_dearer_and_asks_without_a_serial() -> None:
    kit = quote(starter(), jobs=(HEAD,), serial=None).repair.kit
    asked = needs(kit.questions, "intake_gasket")
    assert [(need.cylinder, need.item, need.options) for need in asked] == [
        (1, "V68-G-121", ("V68-G-120", "V68-G-121")),
        (2, "V68-G-121", ("V68-G-120", "V68-G-121")),
    ]


def test_fit_role_takes_the_serial_range_as_inclusive() -> None:
    before = quote(starter(), jobs=(HEAD,), serial=3119999).repair.kit
    after = quote(starter(), jobs=(HEAD,), serial=3120000).repair.kit
    assert {need.item for need in needs(before.needs, "intake_gasket")} == {"V68-G-120"}
    assert {need.item for need in needs(after.needs, "intake_gasket")} == {"V68-G-121"}


def test_fit_role_lets_no_remaining_stock_through_that_may_not_be_used() -> None:
    # 101 may not be fitted any more, 102 may
    (gasket,) = needs(quote(starter(), jobs=(HEAD,), serial=1).repair.kit.needs, "head_gasket")
    assert gasket.acceptable == ("V68-G-102", "V68-G-103")


def test_fit_role_settles_a_build_code() -> None:
    def by_code(row: Fitment) -> Iterator[Fitment]:
        yield structs.replace(row, build_codes=("1111",))
        yield structs.replace(row, build_codes=("2222",), part="V68-B-206")

    catalogue = with_role(starter(), "exhaust_nut", by_code)
    first = quote(catalogue, jobs=(HEAD,), build_code="1111").repair.kit
    second = quote(catalogue, jobs=(HEAD,), build_code="2222").repair.kit
    unread = quote(catalogue, jobs=(HEAD,)).repair.kit
    assert {need.item for need in needs(first.needs, "exhaust_nut")} == {"V68-B-205"}
    assert {need.item for need in needs(second.needs, "exhaust_nut")} == {"V68-B-206"}
    assert len(needs(unread.questions, "exhaust_nut")) == 2
