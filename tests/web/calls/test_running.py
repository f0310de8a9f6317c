"""Health and metrics: what a service says of itself while it works, and while it can't."""

import math
from pathlib import Path
from typing import Any

import httpx
import pytest
from prometheus_client.parser import text_string_to_metric_families
from tests.desks import Counter, run_live
from tests.web.calls.conftest import Staff
from tests.web.problem import sound_problem

from kitwright.keeping.store import StoreError, StoreFull, StoreUnavailable
from kitwright.watching import watch_desk
from kitwright.web.edge.metrics import Metrics

FIGURES = {
    "kitwright_mail_waiting",
    "kitwright_mail_waiting_seconds",
    "kitwright_webhook_waiting",
    "kitwright_webhook_waiting_seconds",
    "kitwright_memory_bytes",
    "kitwright_memory_most_bytes",
    "kitwright_disk_free_bytes",
    "kitwright_database_bytes",
    "kitwright_writer_waiting",
    "kitwright_writer_wait_seconds",
    "kitwright_loop_lag_seconds",
    "kitwright_connections",
    "kitwright_connections_most",
    "process_resident_memory_bytes",
}


def figures(text: str) -> dict[str, float]:
    return {
        sample.name: sample.value
        for family in text_string_to_metric_families(text)
        for sample in family.samples
        if not sample.labels
    }


@pytest.fixture
def late(staff: Staff) -> Counter:
    """Return a counter whose last trial of the store was long ago."""
    staff.counter.desk._tried_at = -math.inf
    return staff.counter


def test_ready_writes_to_the_store_and_not_at_every_call(staff: Staff, late: Counter) -> None:
    before = late.store.read(lambda records: records.trial.read())
    for _ in range(20):
        assert staff.get("/health/ready")["status"] == "ready"

    assert 1 <= late.store.read(lambda records: records.trial.read()) - before <= 10


@pytest.mark.parametrize(
    ("error", "code"), [(StoreFull, "storage-full"), (StoreUnavailable, "storage-unavailable")]
)
def test_ready_is_refused_while_nothing_can_be_stored(
    staff: Staff,
    late: Counter,
    monkeypatch: pytest.MonkeyPatch,
    error: type[StoreError],
    code: str,
) -> None:
    async def write(_: Any) -> Any:
        raise error("not now")

    with monkeypatch.context() as broken:
        broken.setattr(late.desk.store, "write", write)
        answer = staff.client.get("/health/ready")
        assert sound_problem(answer)["code"] == code
        assert staff.get("/health/live")["status"] == "alive"

    assert staff.get("/health/ready")["status"] == "ready"


def test_metrics_tell_of_queues_disk_writer_loop_and_memory(tmp_path: Path) -> None:
    with run_live(tmp_path, "--private-webhooks", "yes") as live:
        headers = {"Authorization": f"Bearer {live.key}"}
        with httpx.Client(base_url=live.address, headers=headers, timeout=20) as client:
            # nobody listens there, so its events wait
            made = client.post(
                "/v1/webhooks",
                json={"url": "http://127.0.0.1:9/"},
                headers={"Idempotency-Key": '"hook"'},
            )
            assert made.status_code == 201, made.text
            for number in range(3):
                client.post(
                    "/v1/customers",
                    json={"name": "Somebody"},
                    headers={"Idempotency-Key": f'"{number}"'},
                )
            seen = figures(client.get("/metrics").text)

    assert seen.keys() >= FIGURES
    assert seen["kitwright_webhook_waiting"] == 4
    assert seen["kitwright_webhook_waiting_seconds"] > 0
    assert seen["kitwright_mail_waiting"] == seen["kitwright_mail_waiting_seconds"] == 0
    assert 0 < seen["kitwright_writer_wait_seconds"] < 60
    assert seen["kitwright_database_bytes"] > 4096
    assert seen["kitwright_disk_free_bytes"] > 0
    assert 1 <= seen["kitwright_connections"] <= seen["kitwright_connections_most"]
    assert 0 <= seen["kitwright_memory_bytes"] < seen["kitwright_memory_most_bytes"]
    assert 0 <= seen["kitwright_loop_lag_seconds"] < 60


def test_figure_that_cannot_be_read_leaves_the_others(
    staff: Staff, monkeypatch: pytest.MonkeyPatch
) -> None:
    metrics = Metrics()
    watch_desk(metrics, staff.counter.desk)

    def read(_: Any) -> Any:
        raise StoreUnavailable("not now")

    monkeypatch.setattr(staff.counter.desk.store, "read", read)
    seen = figures(metrics.text().decode())

    assert math.isnan(seen["kitwright_mail_waiting"])
    assert seen["kitwright_memory_most_bytes"] > 0
