"""What attacks on a restored shop share."""

import pytest
from tests.desks import DAY

from kitwright.app import make_service
from kitwright.settings import Settings, built_in_catalog
from kitwright.web.calls.service import Service


@pytest.fixture(scope="session")
def service() -> Service:
    """Return the hire yard's service on the starter catalogue, on a fixed day."""
    return make_service(Settings(catalog=built_in_catalog(), shop="hire-yard"), lambda: DAY)
