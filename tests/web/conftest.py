"""What tests of the wire share: one service, its application and clients of it."""

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from litestar.testing import TestClient
from tests.desks import DAY, Counter, Live, client_of, open_counter, run_live

from kitwright.app import make_app, make_service
from kitwright.settings import Settings, built_in_catalog
from kitwright.web.calls.service import Service
from kitwright.web.edge.edge import Edge


@pytest.fixture(scope="session")
def service() -> Service:
    """Return the hire yard's service on the starter catalogue, on a fixed day."""
    return make_service(Settings(catalog=built_in_catalog(), shop="hire-yard"), lambda: DAY)


@pytest.fixture(scope="session")
def counter(service: Service, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Counter]:
    """Return a desk with its owner's key, its clock and its store, empty at first."""
    with open_counter(service, tmp_path_factory.mktemp("kept")) as opened:
        yield opened


@pytest.fixture(scope="session")
def app(counter: Counter) -> Edge:
    return make_app(counter.desk)


@pytest.fixture(scope="session")
def client(app: Edge, counter: Counter) -> Iterator[TestClient[Any]]:
    """Return a client with the owner's key."""
    with client_of(app, counter.key) as opened:
        yield opened


@pytest.fixture(scope="session")
def running(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Live]:
    """Run the real service on a free loopback port; give its address and its owner's key."""
    with run_live(tmp_path_factory.mktemp("live")) as live:
        yield live


@pytest.fixture(scope="session")
def live(running: Live) -> str:
    """Return the address of the real service."""
    return running.address


@pytest.fixture
def leaking_valve() -> dict[str, Any]:
    """Return a request that is quoted as it stands."""
    return {
        "family": "QM-H27",
        "serial": 2140077,
        "chassis": "PW-G5",
        "diagnoses": [{"code": "VALVE-EX", "cylinder": 1}],
    }


@pytest.fixture(scope="session")
def examples() -> Path:
    return Path(__file__).resolve().parents[2] / "openapi" / "examples"
