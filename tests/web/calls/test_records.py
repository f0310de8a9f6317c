"""Records of the catalogue as they are answered."""

from datetime import date
from pathlib import Path
from typing import Any

import msgspec
import pytest
from litestar.testing import TestClient
from msgspec import structs
from tests.desks import client_alone
from tests.web.problem import sound_problem

from kitwright.web.calls.service import Service
from kitwright.workshop import Workshop


def test_overrun_presets_are_those_of_the_catalogue(
    client: TestClient[Any], service: Service
) -> None:
    told = client.get("/v1/overrun-presets").json()["items"]

    assert [one["id"] for one in told] == [*service.workshop.catalogue.overruns]
    assert told == [client.get(f"/v1/overrun-presets/{one['id']}").json() for one in told]


def test_overrun_preset_tells_its_amounts_with_their_currency(client: TestClient[Any]) -> None:
    told = client.get("/v1/overrun-presets/florida-vehicles").json()

    assert told == {
        "id": "florida-vehicles",
        "name": "Florida, motor vehicles",
        "note": "a preset for the owner to choose; a rule for motor vehicles; local law decides",
        "applies_to": "repairs of motor vehicles",
        "allows": "greater",
        "fixed": {"amount": "10.00", "currency": "USD"},
        "percent": "10",
        "at_most": {"amount": "50.00", "currency": "USD"},
        "over_total": None,
        "record": [],
        "source": "Florida Statutes 559.909",
        "read": "read",
        "as_of": "2026-11-25",
    }


def test_overrun_preset_tells_what_a_consent_must_record(client: TestClient[Any]) -> None:
    told = client.get("/v1/overrun-presets/california-appliances").json()

    assert (told["allows"], told["fixed"], told["percent"]) == ("nothing", None, None)
    assert told["record"] == ["date", "time", "name", "number", "added_parts", "labour", "cost"]


@pytest.mark.parametrize(
    ("kind", "path"), [("chassis", "chassis"), ("overruns", "overrun-presets")]
)
def test_kind_without_records_is_listed_and_described(
    service: Service, tmp_path: Path, kind: str, path: str
) -> None:
    bare = structs.replace(service.workshop.catalogue, **{kind: {}})
    workshop = Workshop(bare, service.workshop.shop)

    lacking = Service(workshop, lambda: date(2027, 3, 1))

    with client_alone(lacking, tmp_path) as asked:
        listed = asked.get(f"/v1/{path}").json()
        missing = sound_problem(asked.get(f"/v1/{path}/none"))
        described = msgspec.json.decode(asked.get("/openapi.json").content)

    assert listed == {"items": []}
    assert missing["code"] == "unknown-record"
    assert f"/v1/{path}" in described["paths"]


def test_job_tells_what_may_turn_up_in_it(client: TestClient[Any]) -> None:
    told = client.get("/v1/jobs/J-HEAD-GASKET").json()["contingencies"]
    warped, pushrod = told[0], told[-1]

    # the trade's starting values, guesses all
    assert (warped["contingency"], warped["name"]) == ("warped_head", "Warped head")
    assert (warped["probability"], warped["raised_probability"]) == ("0.25", "0.5")
    assert [(one["finding"], one["context"], one["levels"]) for one in warped["raised_by"]] == [
        ("fins_blocked", None, ["yes"]),
        (None, "overheated", []),
    ]
    assert warped["jobs"] == [{"job": "J-RESURFACE", "cylinders": "own"}]
    assert (pushrod["jobs"], pushrod["roles"]) == ([], ["pushrod@"])
    assert pushrod["raised_probability"] is None
