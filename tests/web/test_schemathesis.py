"""The description against the service, by a stock tester with all its checks."""

import json
import os
import subprocess
import sys
import urllib.request
from pathlib import Path
from typing import Any

from tests.desks import Live

HERE = Path(__file__).parent
MOST = 40
DRAWN = 30 if os.environ.get("KITWRIGHT_LONG") == "1" else 3
"""Calls drawn for each operation, besides those that cover its description."""
KEPT = HERE.parents[1] / "openapi" / "openapi.json"


def run_tester(folder: Path, live: Live, *arguments: str) -> str:
    """Return what the tester says; fail where it found anything."""
    run = subprocess.run(
        [
            Path(sys.executable).parent / "schemathesis",
            f"--config-file={HERE / 'schemathesis.toml'}",
            "run",
            *arguments,
            f"--url={live.address}",
            "--checks=all",
            "--generation-deterministic",
            "--no-color",
        ],
        cwd=folder,
        env={
            **os.environ,
            "SCHEMATHESIS_HOOKS": str(HERE / "schemathesis_hooks.py"),
            "TESTER_KEY": live.key,
        },
        capture_output=True,
        text=True,
        timeout=600,
        check=False,
    )
    assert run.returncode == 0, run.stdout + run.stderr
    return run.stdout


def get(live: Live, path: str) -> bytes:
    """Return the answer to a read."""
    asked = urllib.request.Request(
        f"{live.address}{path}", headers={"Authorization": f"Bearer {live.key}"}
    )
    with urllib.request.urlopen(asked) as answer:
        body: bytes = answer.read()
    return body


def quoted(live: Live) -> int:
    """Return how many previews the service has answered with a quote."""
    text = get(live, "/metrics").decode()
    wanted = 'kitwright_requests_total{operation="previewQuote",status="200"} '
    counts = [line.removeprefix(wanted) for line in text.splitlines() if line.startswith(wanted)]
    return int(float(counts[0])) if counts else 0


def test_service_keeps_to_its_description(running: Live, tmp_path: Path) -> None:
    said = run_tester(tmp_path, running, str(KEPT), f"--max-examples={DRAWN}")

    paths = json.loads(KEPT.read_text(encoding="utf-8"))["paths"]
    assert f"Tested: {sum(map(len, paths.values()))}\n" in said


def narrowed(live: Live) -> dict[str, Any]:
    """Return the description of the preview, its ids those that the catalogue has."""
    document: dict[str, Any] = json.loads(KEPT.read_text(encoding="utf-8"))
    document["paths"] = {"/v1/quotes/preview": document["paths"]["/v1/quotes/preview"]}
    shapes = document["components"]["schemas"]

    def ids(path: str, key: str = "id") -> list[str]:
        return [each[key] for each in json.loads(get(live, f"/v1/{path}"))["items"]]

    def one_of(shape: str, member: str, known: list[str], *more: None) -> None:
        shapes[shape]["properties"][member] = {"enum": [*known, *more]}

    one_of("NewPreviewIn", "family", ids("families"))
    one_of("NewPreviewIn", "chassis", ids("chassis"), None, None)
    one_of("NewPreviewIn", "tax_area", ["example-county"], None)
    one_of("NewPreviewIn", "language", ["en"], None)
    one_of("NewPreviewIn", "on", ["2027-03-01", "2024-02-29"], None)
    one_of("NewPreviewIn", "needed_by", ["2199-12-31"], None)
    one_of("NewPreviewIn", "build_code", [], None)
    one_of("DiagnosisIn", "code", ids("diagnoses", "code"))
    one_of("JobIn", "job", ids("jobs"))
    for shape in ("DiagnosisIn", "JobIn"):
        shapes[shape]["properties"]["cylinder"] = {"enum": [1, None]}
    for member in ("leave_out", "overrides", "customer_parts", "floors", "discounts", "units"):
        shapes["NewPreviewIn"]["properties"][member]["maxItems"] = 0
    shapes["NewPreviewIn"]["properties"]["diagnoses"]["minItems"] = 1
    for member in ("diagnoses", "jobs", "add_jobs"):
        shapes["NewPreviewIn"]["properties"][member]["maxItems"] = 2
    return document


def test_quotes_keep_to_their_description(running: Live, tmp_path: Path) -> None:
    path = tmp_path / "narrowed.json"
    path.write_text(json.dumps(narrowed(running)), encoding="utf-8")
    before = quoted(running)

    run_tester(
        tmp_path,
        running,
        str(path),
        f"--max-examples={MOST}",
        "--mode=positive",
        "--phases=coverage,fuzzing",
    )

    assert quoted(running) - before > MOST // 10
