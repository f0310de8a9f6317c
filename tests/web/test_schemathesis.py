"""The description against the service, by a stock tester with all its checks."""

import json
import os
import subprocess
import sys
import urllib.request
from pathlib import Path
from typing import Any

HERE = Path(__file__).parent
MOST = 80
KEPT = HERE.parents[1] / "openapi" / "openapi.json"


def run_tester(folder: Path, *arguments: str) -> str:
    """Return what the tester says; fail where it found anything."""
    run = subprocess.run(
        [
            Path(sys.executable).parent / "schemathesis",
            f"--config-file={HERE / 'schemathesis.toml'}",
            "run",
            *arguments,
            "--checks=all",
            "--generation-deterministic",
            "--no-color",
        ],
        cwd=folder,
        env={**os.environ, "SCHEMATHESIS_HOOKS": str(HERE / "schemathesis_hooks.py")},
        capture_output=True,
        text=True,
        timeout=300,
        check=False,
    )
    assert run.returncode == 0, run.stdout + run.stderr
    return run.stdout


def quoted(live: str) -> int:
    """Return how many previews the service has answered with a quote."""
    with urllib.request.urlopen(f"{live}/metrics") as answer:
        text = answer.read().decode()
    wanted = 'kitwright_requests_total{operation="previewQuote",status="200"} '
    counts = [line.removeprefix(wanted) for line in text.splitlines() if line.startswith(wanted)]
    return int(float(counts[0])) if counts else 0


def test_service_keeps_to_its_description(live: str, tmp_path: Path) -> None:
    said = run_tester(tmp_path, str(KEPT), f"--url={live}", "--max-examples=25")

    paths = json.loads(KEPT.read_text(encoding="utf-8"))["paths"]
    assert f"Tested: {sum(map(len, paths.values()))}\n" in said


def narrowed(live: str) -> dict[str, Any]:
    """Return the description of the preview, its ids those that the catalogue has."""
    document: dict[str, Any] = json.loads(KEPT.read_text(encoding="utf-8"))
    document["paths"] = {"/v1/quotes/preview": document["paths"]["/v1/quotes/preview"]}
    shapes = document["components"]["schemas"]

    def ids(path: str, key: str = "id") -> list[str]:
        with urllib.request.urlopen(f"{live}/v1/{path}") as answer:
            return [each[key] for each in json.load(answer)["items"]]

    def one_of(shape: str, member: str, known: list[str], *more: None) -> None:
        shapes[shape]["properties"][member] = {"enum": [*known, *more]}

    one_of("PreviewIn", "family", ids("families"))
    one_of("PreviewIn", "chassis", ids("chassis"), None, None)
    one_of("PreviewIn", "tax_area", ["example-county"], None)
    one_of("PreviewIn", "language", ["en"], None)
    one_of("PreviewIn", "on", ["2027-03-01", "2024-02-29"], None)
    one_of("PreviewIn", "needed_by", ["2199-12-31"], None)
    one_of("PreviewIn", "build_code", [], None)
    one_of("DiagnosisIn", "code", ids("diagnoses", "code"))
    one_of("JobIn", "job", ids("jobs"))
    for shape in ("DiagnosisIn", "JobIn"):
        shapes[shape]["properties"]["cylinder"] = {"enum": [1, None]}
    for member in ("leave_out", "overrides", "customer_parts", "floors", "discounts"):
        shapes["PreviewIn"]["properties"][member]["maxItems"] = 0
    shapes["PreviewIn"]["properties"]["diagnoses"]["minItems"] = 1
    for member in ("diagnoses", "jobs", "add_jobs"):
        shapes["PreviewIn"]["properties"][member]["maxItems"] = 2
    return document


def test_quotes_keep_to_their_description(live: str, tmp_path: Path) -> None:
    path = tmp_path / "narrowed.json"
    path.write_text(json.dumps(narrowed(live)), encoding="utf-8")
    before = quoted(live)

    run_tester(
        tmp_path,
        str(path),
        f"--url={live}",
        f"--max-examples={MOST}",
        "--mode=positive",
        "--phases=coverage,fuzzing",
    )

    assert quoted(live) - before > MOST // 10
