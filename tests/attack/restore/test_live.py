"""The real service: one process for a folder, files for one user, and the whole morning after."""

import json
import subprocess
import sys
from functools import partial
from pathlib import Path

import httpx
import pytest
from tests.desks import run_live

from kitwright.__main__ import main


def run_apart(*arguments: object) -> tuple[int, str, str]:
    """Return exit code, output and complaints of the command as a process of its own."""
    done = subprocess.run(
        [sys.executable, "-m", "kitwright", *map(str, arguments)],
        capture_output=True,
        text=True,
        timeout=60,
        check=False,
    )
    return done.returncode, done.stdout, done.stderr


def run_here(capsys: pytest.CaptureFixture[str], *arguments: object) -> tuple[int, str, str]:
    """Return the same of the command in this process, which saves its start."""
    capsys.readouterr()
    code = main([*map(str, arguments)])
    return code, *capsys.readouterr()


@pytest.mark.usefixtures("no_umask")
def test_folder_in_use_is_refused_and_backed_up_and_restored(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    run = partial(run_here, capsys)
    data, copies, new = tmp_path / "data", tmp_path / "copies", tmp_path / "new"
    data.mkdir(mode=0o700)
    copies.mkdir()
    with run_live(data) as live:
        httpx.get(f"{live.address}/health/live").raise_for_status()
        for command in (("serve", "--port", "0", "--shop", "hire-yard"), ("owner-key",)):
            code, said, complaint = run_apart(*command, "--data", data)
            assert (code, said) == (1, "")
            assert f"in use by kitwright serve (process {live.process.pid}, since " in complaint
        exposed = {path.name for path in data.rglob("*") if path.stat().st_mode & 0o077}
        code, _, complaint = run("backup", copies, "--data", data)
        assert (code, complaint) == (0, "")
    # the test's own
    assert exposed <= {"log"}

    assert run("drill", copies)[0] == 0
    code, said, _ = run("restore", copies, "--data", new, "--ledger", data / "closings.json")
    assert code == 0
    assert said.splitlines()[-1] == f"next: kitwright release --data {new}"
    code, said, _ = run("release", "--data", new)
    assert code == 0
    assert "nothing is released yet; to release, run:" in said
    assert "owner (owner)" in said
    with_log = tmp_path / "log"
    serve = [sys.executable, "-m", "kitwright", "serve", "--port", "0", "--shop", "hire-yard"]
    with (
        with_log.open("wb") as log,
        subprocess.Popen(
            [*serve, "--data", str(new)], stdout=subprocess.PIPE, stderr=log, text=True
        ) as process,
    ):
        assert process.stdout is not None
        address = process.stdout.readline().removeprefix("listening on ").strip()
        headers = {"Authorization": f"Bearer {live.key}", "Idempotency-Key": '"new"'}
        with httpx.Client(base_url=address, headers=headers) as owner:
            is_confirmed = owner.get("/v1/release").json()["is_confirmed"]
            answer = owner.post("/v1/release", json={"confirm": True})
        process.terminate()
        process.wait(20)
    assert is_confirmed, "the lost folder's ledger was written after the backup"
    assert answer.json()["is_held"] is False
    warned = [json.loads(line)["event"] for line in with_log.read_text().splitlines()]
    assert warned[0] == "records-held"

    code, said, _ = run("release", "--data", new)
    assert code == 0
    assert "is not held" in said
