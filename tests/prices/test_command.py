"""`kitwright prices read` names the quotes that it touches as the service does: priced again."""

from __future__ import annotations

from contextlib import closing
from datetime import UTC, datetime
from pathlib import Path

from tests.desks import client_of, open_counter
from tests.store.conftest import Run
from tests.store.conftest import run as run
from tests.web.calls.conftest import Staff
from tests.web.calls.test_prices import HEAD, everything_at
from tests.web.conftest import service as service

from kitwright.app import make_app
from kitwright.web.calls.service import Service


def test_command_names_the_quotes_that_a_file_would_change(
    run: Run, service: Service, tmp_path: Path
) -> None:
    folder, cheap, unrelated = tmp_path / "shop", tmp_path / "cheap.csv", tmp_path / "other.csv"
    with open_counter(service, folder) as counter:
        counter.clock.now = datetime.now(UTC)
        with client_of(make_app(counter.desk), counter.key) as client:
            asked = {"family": "TB-V68", "serial": 3200000, "chassis": "loose", "diagnoses": []}
            jobs = [{"job": "J-HEAD-GASKET", "cylinder": 1}]
            issued = Staff(counter, client).issued(**asked, jobs=jobs)
        with closing(counter.store):
            pass
    cheap.write_text(everything_at("0.01"), encoding="utf-8")
    unrelated.write_text(HEAD + "X-1,X-1,,Thing,,1.00\n", encoding="utf-8")
    given = ("--data", folder, "--shop", "hire-yard")

    _, said, _ = run("prices", "read", cheap, "--supplier", "ALDQ", *given)
    assert f"issued quotes with other prices: {issued}\n" in said

    # a supplier in another currency touches nothing
    code, said, _ = run("prices", "read", unrelated, "--supplier", "FKRD", *given)
    assert code == 0, said
    assert "issued quotes" not in said
