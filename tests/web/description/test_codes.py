"""Codes: each documented one can be met, and each that can be met is documented."""

import json
import subprocess
import sys
from collections.abc import Callable
from typing import Any

import pytest
from litestar.testing import TestClient
from tests.web.calls import test_problems as kept
from tests.web.problem import sound_problem

from kitwright.errors import KitwrightError
from kitwright.web.description.codes import documented_codes, leaves
from kitwright.web.edge.problems import GAPS, KINDS

PREVIEW = "/v1/quotes/preview"
ASSESS = "/v1/assessments"
VALVE = {"code": "VALVE-EX", "cylinder": 1}
GASKET = {"job": "J-HEAD-GASKET", "cylinder": 1}
SINGLE = {"family": "QM-H27", "serial": 2140077, "diagnoses": [VALVE]}
TWIN = {"family": "TB-V68", "serial": 3120416, "jobs": [GASKET]}
WHO = {"reason": "as agreed", "by": "M. Okafor"}

# code -> a request that meets it alone, and where it points
REFUSED: dict[str, tuple[dict[str, Any], str]] = {
    "unknown-family": ({"family": "QM-H28", "diagnoses": [VALVE]}, "/family"),
    "unknown-chassis": ({**SINGLE, "chassis": "PW-G6"}, "/chassis"),
    "unknown-diagnosis": (
        {"family": "QM-H27", "diagnoses": [{"code": "VALVE-IX", "cylinder": 1}]},
        "/diagnoses/0/code",
    ),
    "unknown-job": ({**SINGLE, "add_jobs": [{"job": "J-HEAD"}]}, "/add_jobs/0/job"),
    "unknown-tax-area": ({**SINGLE, "tax_area": "atlantis"}, "/tax_area"),
    "unknown-language": ({**SINGLE, "language": "tlh"}, "/language"),
    "chassis-cannot-carry": ({**SINGLE, "chassis": "SK-ZT52"}, "/chassis"),
    "cylinder-out-of-range": (
        {**SINGLE, "diagnoses": [{"code": "VALVE-EX", "cylinder": 2}]},
        "/diagnoses/0/cylinder",
    ),
    "cylinder-missing": (
        {**TWIN, "jobs": [{"job": "J-HEAD-GASKET"}]},
        "/jobs/0/cylinder",
    ),
    "cylinder-not-wanted": (
        {**SINGLE, "diagnoses": [{"code": "BREATHER", "cylinder": 1}]},
        "/diagnoses/0/cylinder",
    ),
    "day-out-of-range": ({**SINGLE, "needed_by": "2200-01-01"}, "/needed_by"),
    "before-tax": ({**SINGLE, "on": "2019-12-31"}, "/on"),
    "nothing-asked": ({"family": "QM-H27"}, ""),
    "needed-too-early": (
        {**SINGLE, "on": "2027-03-02", "needed_by": "2027-03-01"},
        "/needed_by",
    ),
    "foreign-tax-area": ({**SINGLE, "tax_area": "example-vat"}, "/tax_area"),
    "not-in-quote": ({**SINGLE, "leave_out": [GASKET]}, "/leave_out/0"),
    "nothing-left": ({**TWIN, "leave_out": [GASKET]}, "/leave_out"),
    "no-exemption": (
        {
            **SINGLE,
            "tax_area": None,
            "exemption": {"certificate_number": "1", "valid_until": "2027-12-31"},
        },
        "/exemption",
    ),
    "exemption-expired": (
        {**SINGLE, "exemption": {"certificate_number": "1", "valid_until": "2027-02-28"}},
        "/exemption/valid_until",
    ),
    "unknown-role": (
        {**SINGLE, "floors": [{**WHO, "role": "spark_plug_hat", "quality": "maker"}]},
        "/floors/0/role",
    ),
    "discount-unclear": ({**SINGLE, "discounts": [WHO]}, "/discounts/0"),
    "discount-too-large": (
        {**SINGLE, "discounts": [{**WHO, "amount": "99999"}]},
        "/discounts/0/amount",
    ),
    "below-zero": ({**SINGLE, "prepaid": "-1"}, "/prepaid"),
    "amount-too-fine": ({**SINGLE, "diagnostic_fee": "1.005"}, "/diagnostic_fee"),
    "prepaid-too-large": ({**SINGLE, "prepaid": "999999"}, "/prepaid"),
    "named-twice": (
        {
            **SINGLE,
            "overrides": [{**WHO, "job": "J-VALVE-EX", "cylinder": 1, "minutes": 9}] * 2,
        },
        "/overrides/1",
    ),
    "line-not-found": (
        {**SINGLE, "overrides": [{**WHO, "line": {"code": "gold"}, "unit_price": "1"}]},
        "/overrides/0/line",
    ),
    "serial-needed": (
        {
            "family": "TB-S50",
            "jobs": [{"job": "J-BREATHER"}],
            "customer_parts": [{"item": "S50-R-301"}],
        },
        "/customer_parts/0/item",
    ),
    "credit-out-of-range": (
        {
            **SINGLE,
            "diagnostic_done": True,
            "overrides": [{**WHO, "line": {"code": "diagnostic-credit"}, "unit_price": "-5000"}],
        },
        "/overrides/0/unit_price",
    ),
    "part-not-needed": ({**SINGLE, "customer_parts": [{"item": "NONE"}]}, "/customer_parts/0/item"),
    "no-diagnosis": (
        {"family": "QM-H27", "jobs": [{"job": "J-OIL"}], "courses": ["least"]},
        "/courses",
    ),
    "left-out-of-courses": (
        {**SINGLE, "courses": ["least"], "leave_out": [{"job": "J-VALVE-EX", "cylinder": 1}]},
        "/leave_out",
    ),
    "override-unclear": ({**SINGLE, "overrides": [WHO]}, "/overrides/0"),
}
SEEN = {"cylinder": 1, "findings": {"plug_oil": "yes"}}
READ = {"supply": "90", "in_cylinder": "85"}


def assessed(**more: Any) -> dict[str, Any]:
    return {"family": "TB-V68", **more}


# code -> findings that meet it alone, and where it points
ASSESSED: dict[str, tuple[dict[str, Any], str]] = {
    "unknown-finding": (assessed(engine={"smoke_blue": "yes"}), "/engine/smoke_blue"),
    "unknown-level": (assessed(engine={"oil_airbox": "maybe"}), "/engine/oil_airbox"),
    "unknown-background": (assessed(background=["overheeted"]), "/background/0"),
    "unknown-reading": (
        assessed(cylinders=[{"cylinder": 1, "gauges": [{"reading": "oil_psi", "value": "5"}]}]),
        "/cylinders/0/gauges/0/reading",
    ),
    "finding-misplaced": (assessed(engine={"plug_oil": "yes"}), "/engine/plug_oil"),
    "level-derived": (
        assessed(
            cylinders=[
                {"cylinder": 1, "leakdown": READ, "findings": {"leakdown_band": "5_10"}},
            ]
        ),
        "/cylinders/0/findings/leakdown_band",
    ),
    "cylinder-twice": (assessed(cylinders=[SEEN, SEEN]), "/cylinders/1/cylinder"),
    "pressure-not-positive": (
        assessed(cylinders=[{"cylinder": 1, "leakdown": {**READ, "supply": "0"}}]),
        "/cylinders/0/leakdown/supply",
    ),
}
LOCKED = {
    "engine": {"crank_locked": "yes"},
    "cylinders": [{"cylinder": 1, "findings": {"plug_hole_liquid": "yes"}}],
}
# code -> a preview of findings that meets it alone, and where it points
FOUND: dict[str, tuple[dict[str, Any], str]] = {
    "findings-with-diagnoses": ({**SINGLE, "findings": {"cylinders": [SEEN]}}, "/findings"),
    "quote-stopped": ({"family": "TB-V68", "findings": LOCKED}, "/findings"),
    "nothing-to-quote": (
        {"family": "TB-V68", "findings": {"engine": {"fins_blocked": "no"}}},
        "/findings",
    ),
}
# Faults that the starter catalogue leaves no way to: tests of the stages raise them.
NOT_MET = {
    "nothing-to-wait-for": "test_distance.py meets it by the link of an offer",
    "not-yet-said": "a withdrawal needs a yes by a link; test_distance.py meets it",
    "choice-not-priced": "test_ticking.py meets it with a change of a line that is left out",
    "extra-left-alone": "test_ticking.py meets it with a job left out beside which it is offered",
    "too-many-choices": "no starter offer leaves so many jobs; test_ticking.py meets it",
    "serial-out-of-range": "the body's shape has the same bounds",
    "job-does-not-fit": "every job fits every starter family; test_gaps.py meets it",
    "unknown-build-code": "no starter family has parts by build code",
    "too-many-finds": "it takes fifty changes; test_found.py meets it with fewer",
    "too-many-lines": "a preview carries nothing over; test_carrying.py meets it",
    "findings-impossible": "every starter finding is seen now and then without a fault",
}
MET = [
    *((PREVIEW, code, *each) for code, each in REFUSED.items()),
    *((ASSESS, code, *each) for code, each in ASSESSED.items()),
    *((PREVIEW, code, *each) for code, each in FOUND.items()),
]


@pytest.mark.parametrize(
    ("call", "code", "body", "pointer"), MET, ids=[f"{call}-{code}" for call, code, _, _ in MET]
)
def test_request_that_does_not_fit_is_refused(
    client: TestClient[Any], call: str, code: str, body: dict[str, Any], pointer: str
) -> None:
    told = sound_problem(client.post(call, json=body), json.dumps(body).encode())

    assert told["code"] == "request-refused"
    assert [(each["pointer"], each["code"]) for each in told["errors"]] == [(pointer, code)]


def test_every_documented_refusal_is_met() -> None:
    documented = {
        each.code for each in documented_codes() if each.is_fault and each.status == 422
    } - {leaf.code for leaf in leaves(GAPS)}

    met = {code for _, code, _, _ in MET} | kept.REFUSED.keys()
    assert documented == met | NOT_MET.keys()


def test_request_with_many_faults_names_all_of_them(client: TestClient[Any]) -> None:
    body = {
        "family": "QM-H27",
        "chassis": "SK-ZT52",
        "language": "xx",
        "tax_area": "nowhere",
        "needed_by": "1999-01-01",
        "diagnoses": [{"code": "VALVE-EX"}, {"code": "NONE"}],
        "jobs": [{"job": "J-HEAD-GASKET", "cylinder": 9}],
        "overrides": [WHO, {**WHO, "job": "J-NONE", "minutes": 1}],
        "discounts": [{**WHO, "percent": "101"}],
        "prepaid": "-5",
    }

    told = sound_problem(client.post(PREVIEW, json=body), json.dumps(body).encode())

    assert {(each["pointer"], each["code"]) for each in told["errors"]} == {
        ("/overrides/0", "override-unclear"),
        ("/language", "unknown-language"),
        ("/chassis", "chassis-cannot-carry"),
        ("/needed_by", "day-out-of-range"),
        ("/needed_by", "needed-too-early"),
        ("/diagnoses/0/cylinder", "cylinder-missing"),
        ("/diagnoses/1/code", "unknown-diagnosis"),
        ("/jobs/0/cylinder", "cylinder-out-of-range"),
        ("/tax_area", "unknown-tax-area"),
        ("/discounts/0", "discount-unclear"),
        ("/overrides/1/job", "unknown-job"),
        ("/prepaid", "below-zero"),
    }


@pytest.mark.parametrize(
    ("body", "right"),
    [
        (REFUSED["unknown-family"][0], "did you mean QM-H27?"),
        (REFUSED["unknown-chassis"][0], "did you mean PW-G5?"),
        (REFUSED["unknown-diagnosis"][0], "did you mean VALVE-IN or VALVE-EX?"),
        (REFUSED["unknown-tax-area"][0], "known: example-county"),
        (REFUSED["cylinder-out-of-range"][0], "on family QM-H27 it must be 1"),
        (REFUSED["cylinder-missing"][0], "give `cylinder`, 1 or 2"),
        (REFUSED["override-unclear"][0], "give either line with unit_price, or job with minutes"),
    ],
)
def test_refusal_says_what_would_be_right(
    client: TestClient[Any], body: dict[str, Any], right: str
) -> None:
    told = client.post(PREVIEW, json=body).json()

    assert right in told["errors"][0]["detail"]


PROBLEMS: dict[str, Callable[[TestClient[Any]], Any]] = {
    "bad-request": lambda client: client.get("/v1/families", headers={"Host": "a host"}),
    "not-json": lambda client: preview(client, b"{"),
    "body-invalid": lambda client: preview(client, b"{}"),
    "body-too-deep": lambda client: preview(client, b"[" * 1_000),
    "not-found": lambda client: client.get("/nothing"),
    "unknown-record": lambda client: client.get("/v1/jobs/none"),
    "method-not-allowed": lambda client: client.delete("/v1/jobs"),
    "not-acceptable": lambda client: client.get("/v1/jobs", headers={"Accept": "text/csv"}),
    "body-too-large": lambda client: preview(client, b" " * 300_000),
    "path-too-long": lambda client: client.get("/" + "x" * 3_000),
    "wrong-media-type": lambda client: client.post(PREVIEW, content=b"{}"),
    "request-refused": lambda client: client.post(PREVIEW, json=REFUSED["nothing-asked"][0]),
}
# test_gaps.py and test_edge.py meet these: they need a broken catalogue or a broken service.
ELSEWHERE = {"catalogue-gap", "internal-error"} | kept.PROBLEMS.keys() | kept.ELSEWHERE
# tests/attack/edge meets these: no client of the tests is slow or large enough.
ELSEWHERE |= {"headers-too-large", "request-timeout", "too-many-connections"}


def preview(client: TestClient[Any], body: bytes) -> Any:
    return client.post(PREVIEW, content=body, headers={"Content-Type": "application/json"})


@pytest.mark.parametrize("code", PROBLEMS)
def test_problem_is_met(client: TestClient[Any], code: str) -> None:
    answer = PROBLEMS[code](client)

    # the pointers are another test's matter
    told = sound_problem(answer, b"{}")
    assert told["code"] == code


def test_every_problem_is_met() -> None:
    assert KINDS.keys() == PROBLEMS.keys() | ELSEWHERE


@pytest.mark.parametrize("code", documented_codes(), ids=lambda code: code.code)
def test_code_is_served_where_a_problem_leads(client: TestClient[Any], code: Any) -> None:
    told = client.get(f"/problems/{code.code}").json()

    assert told["code"] == code.code
    assert told["status"] == code.status
    assert told["problem"] == code.problem
    assert told["title"]
    assert told["advice"]


def test_codes_are_listed(client: TestClient[Any]) -> None:
    listed = client.get("/problems").json()["items"]

    assert [each["code"] for each in listed] == [each.code for each in documented_codes()]


def test_codes_are_unique_and_plain() -> None:
    codes = [each.code for each in documented_codes()]

    assert len(codes) == len(set(codes))
    assert all(code.replace("-", "").isalpha() and code.islower() for code in codes)


def test_errors_that_a_request_can_meet_are_documented() -> None:
    documented = {each.code for each in documented_codes()}
    reachable = {error.code for error in below(KitwrightError) if is_of_requests(error)}

    assert reachable <= documented


def below(error: type[KitwrightError]) -> list[type[KitwrightError]]:
    """Return the errors below another that have none below themselves."""
    deeper = error.__subclasses__()
    return [leaf for one in deeper for leaf in below(one)] if deeper else [error]


def is_of_requests(error: type[KitwrightError]) -> bool:
    """Whether a request to the service can raise an error: those of the stages, of tax and of
    language; catalogues are read and checked before, and solvers get sound questions.
    """
    room = error.__module__.removeprefix("kitwright.").partition(".")[0]
    return room in ("stages", "tax", "language") and error.code != "request-refused"


def test_problem_type_is_relative_to_the_service(client: TestClient[Any]) -> None:
    told = client.get("/nothing").json()

    assert client.get(told["type"]).json()["code"] == "not-found"


def test_codes_do_not_depend_on_what_else_was_imported(client: TestClient[Any]) -> None:
    ask_alone = (
        "from kitwright.web.description.codes import documented_codes\n"
        "print(*(each.code for each in documented_codes()))"
    )
    alone = subprocess.run(
        [sys.executable, "-c", ask_alone], capture_output=True, text=True, check=True
    )

    served = [each["code"] for each in client.get("/problems").json()["items"]]
    assert alone.stdout.split() == served


def test_refusal_of_a_missing_key_leads_to_its_meaning(client: TestClient[Any]) -> None:
    nobody = {"Authorization": ""}
    refusal = sound_problem(client.get("/v1/events", headers=nobody))
    meaning = client.get(refusal["type"], headers=nobody)

    assert meaning.status_code == 200
    assert meaning.json()["code"] == refusal["code"] == "key-missing"
    assert client.get("/problems", headers=nobody).status_code == 200
    # its examples are the shop's
    assert client.get("/openapi.json", headers=nobody).status_code == 401
