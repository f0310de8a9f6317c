"""What attacks by the clock need: somebody at a counter whose clock is theirs to set."""

from tests.web.calls.conftest import staff as staff
from tests.web.conftest import service as service
