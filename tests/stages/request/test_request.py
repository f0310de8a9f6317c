from datetime import date

import pytest
from msgspec import structs
from tests.stages.workbench import HEAD, quote, starter, with_job, with_role

from kitwright.catalogue.model import (
    AreaId,
    ChassisId,
    DiagnosisCode,
    FamilyId,
    Fitment,
    JobId,
    ShopId,
)
from kitwright.stages.request import Asked, AskedDiagnosis, AskedJob, RequestRefused, read_request


def by_build_code(row: Fitment) -> tuple[Fitment, ...]:
    return (
        structs.replace(row, build_codes=("1111",)),
        structs.replace(row, build_codes=("2222",), part="V68-B-206"),
    )


def test_read_request_refuses_a_build_code_that_no_fitment_names() -> None:
    # a typing error of the counter is not a gap in the catalogue
    catalogue = with_role(starter(), "exhaust_nut", by_build_code)
    with pytest.raises(RequestRefused) as refused:
        quote(catalogue, jobs=(HEAD,), build_code="9999")
    assert [fault.path for fault in refused.value.faults] == [("build_code",)]


def test_read_request_refuses_a_diagnosis_whose_job_does_not_fit() -> None:
    # the V68 has no fuel tank: what the catalogue says is no gap, but an engine of another kind
    catalogue = with_job(starter(), "J-BREATHER", access=("fuel_tank",))
    with pytest.raises(RequestRefused) as refused:
        quote(catalogue, diagnoses=(AskedDiagnosis("BREATHER"),))  # type: ignore[arg-type]
    assert [fault.path for fault in refused.value.faults] == [("diagnoses", 0)]


def test_read_request_names_what_else_is_wrong_beside_an_unknown_family() -> None:
    asked = Asked(
        family=FamilyId("QM-H28"),
        on=date(1999, 1, 1),
        chassis=ChassisId("nope"),
        diagnoses=(AskedDiagnosis(DiagnosisCode("NOPE"), 1),),
        add_jobs=(AskedJob(JobId("J-NOPE")),),
        tax_area=AreaId("nope"),
    )

    with pytest.raises(RequestRefused) as caught:
        read_request(starter(), starter().shops[ShopId("hire-yard")], asked)

    assert {fault.path for fault in caught.value.faults} == {
        ("family",),
        ("on",),
        ("chassis",),
        ("diagnoses", 0, "code"),
        ("add_jobs", 0, "job"),
        ("tax_area",),
    }
