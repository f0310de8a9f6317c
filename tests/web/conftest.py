"""What tests of the wire share: one service, its application and clients of it."""

import subprocess
import sys
from collections.abc import Iterator
from datetime import date
from pathlib import Path
from typing import Any

import pytest
from litestar.testing import TestClient

from kitwright.app import make_app, make_service
from kitwright.settings import Settings, built_in_catalog
from kitwright.web.edge import Edge
from kitwright.web.service import Service

DAY = date(2027, 3, 1)
SAID = "listening on "


@pytest.fixture(scope="session")
def service() -> Service:
    """Return the hire yard's service on the starter catalogue, on a fixed day."""
    return make_service(Settings(catalog=built_in_catalog(), shop="hire-yard"), lambda: DAY)


@pytest.fixture(scope="session")
def app(service: Service) -> Edge:
    return make_app(service)


@pytest.fixture(scope="session")
def client(app: Edge) -> Iterator[TestClient[Any]]:
    with TestClient(app) as opened:
        yield opened


@pytest.fixture(scope="session")
def live(tmp_path_factory: pytest.TempPathFactory) -> Iterator[str]:
    """Run the real service on a free loopback port; give its address."""
    data = tmp_path_factory.mktemp("live")
    with (data / "log").open("wb") as log:
        command = [sys.executable, "-m", "kitwright", "serve", "--port", "0"]
        with subprocess.Popen(
            [*command, "--shop", "hire-yard", "--data", str(data)],
            stdout=subprocess.PIPE,
            stderr=log,
            text=True,
        ) as running:
            try:
                line = running.stdout.readline() if running.stdout is not None else ""
                assert line.startswith(SAID), (data / "log").read_text()
                yield line.removeprefix(SAID).strip()
            finally:
                running.terminate()


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
