"""Running: the calls for health and metrics of the service."""

from __future__ import annotations

from kitwright.web.calls.call import Call
from kitwright.web.calls.handlers import operation
from kitwright.web.calls.service import Service
from kitwright.web.calls.shown import Out
from kitwright.web.edge.metrics import PLAIN
from kitwright.web.edge.negotiate import TEXT
from kitwright.web.edge.reply import Reply


class HealthOut(Out, frozen=True, kw_only=True):
    """The state of the service."""

    status: str


class ReadyOut(Out, frozen=True, kw_only=True):
    """The service can quote and store: its shop and its revision of the catalogue."""

    status: str
    shop: str
    catalogue_revision: str


@operation("GET /health/live", "getLiveness", "running", scope=None)
def live() -> Reply[HealthOut]:
    """Check whether the process runs."""
    return Reply(body=HealthOut(status="alive"))


@operation(
    "GET /health/ready",
    "getReadiness",
    "running",
    "storage-unavailable",
    "storage-full",
    scope=None,
)
async def ready(call: Call) -> Reply[ReadyOut]:
    """Check whether the service can quote and store.

    Answers with the catalogue's revision and the shop once the catalogue is loaded, if the store
    can be written to and read.
    """
    await call.desk.try_store()
    return Reply(body=ready_out(call.desk.service))


def ready_out(service: Service) -> ReadyOut:
    """Return the answer that the service can quote."""
    shop = service.workshop.shop.id
    return ReadyOut(status="ready", shop=shop, catalogue_revision=service.revision)


@operation("GET /metrics", "getMetrics", "running", forms=(TEXT,))
def metrics(call: Call) -> Reply[bytes]:
    """Get metrics of the service.

    In Prometheus' text format 0.0.4: requests by operation and status, a histogram of their seconds
    by operation, and the process's memory, open files and processor time; e-mails and events that
    wait, and for how long; the disk, the wait for the store's writer, the lag of the event loop,
    connections, and the bytes of remembered results.
    """
    return Reply(body=call.request.app.state.metrics.text(), form=PLAIN)
