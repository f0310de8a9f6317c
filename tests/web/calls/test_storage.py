"""Full disks and folders that can't be written to: a problem document, no damage, and recovery."""

import os
import resource
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from itertools import count
from pathlib import Path
from typing import Any

import httpx
import pytest
from tests.desks import run_live

from kitwright.store.doctor import Severity, examine

ASKED = {"family": "QM-H27", "serial": 2140077, "jobs": [{"job": "J-LASH", "cylinder": 1}]}
_KEYS = count(1)


def create(client: httpx.Client) -> httpx.Response:
    headers = {"Idempotency-Key": f'"storage-{next(_KEYS)}"'}
    return client.post("/v1/quotes", json=ASKED, headers=headers)


def kept(client: httpx.Client) -> int:
    answer = client.get("/v1/quotes", params={"limit": 200})
    assert answer.status_code == 200, answer.text
    return len(answer.json()["items"])


def client_at(address: str, key: str) -> httpx.Client:
    headers = {"Authorization": f"Bearer {key}"}
    return httpx.Client(base_url=address, headers=headers, timeout=30)


def faults(folder: Path) -> list[str]:
    return [str(one) for one in examine(folder) if one.severity is Severity.error]


@pytest.mark.skipif(not hasattr(resource, "prlimit"), reason="this system has no prlimit")
def test_full_disk_is_a_problem_and_passes(tmp_path: Path) -> None:
    data = tmp_path / "data"
    data.mkdir()
    with run_live(data, "--log", "faults") as live, client_at(live.address, live.key) as client:
        assert create(client).status_code == 201
        before = resource.prlimit(live.process.pid, resource.RLIMIT_FSIZE)
        # no file may grow any more: what a full disk or a quota comes to
        largest = max(path.stat().st_size for path in data.iterdir())
        resource.prlimit(live.process.pid, resource.RLIMIT_FSIZE, (largest, before[1]))
        made = 1
        answer = create(client)
        while answer.status_code == 201 and made < 200:
            made += 1
            answer = create(client)
        told = answer.json()
        assert (answer.status_code, told["code"]) == (507, "storage-full")
        assert answer.headers["content-type"] == "application/problem+json"
        assert answer.headers["Retry-After"]
        # reading goes on, and so does what keeps nothing
        assert kept(client) == made
        assert client.post("/v1/quotes/preview", json=ASKED).status_code == 200
        assert create(client).status_code == 507

        resource.prlimit(live.process.pid, resource.RLIMIT_FSIZE, before)

        assert create(client).status_code == 201
        assert kept(client) == made + 1
        live.process.terminate()
        live.process.wait(20)
    assert faults(data) == []


@contextmanager
def served_by_nobody(folder: Path) -> Iterator[tuple[str, list[str]]]:
    """Run the service on a folder as a user who owns nothing; give its address and what it said."""
    with subprocess.Popen(
        [sys.executable, "-m", "tests.crash.zygote", str(folder), "65534"],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        stderr=subprocess.DEVNULL,
        text=True,
    ) as zygote:
        assert zygote.stdin is not None
        assert zygote.stdout is not None
        zygote.stdin.write("go\n")
        zygote.stdin.flush()
        said: list[str] = []
        try:
            while not said or not said[-1].startswith("listening on "):
                line = zygote.stdout.readline().strip()
                assert line not in ("", "stopped"), said
                said.append(line)
            yield said[-1].removeprefix("listening on "), said
        finally:
            os.kill(int(said[0].removeprefix("process ")), 15)
            zygote.stdin.close()


def opened(folder: Path, mode: int) -> None:
    """Let everybody do in a folder what a mode says."""
    folder.chmod(0o777 if mode & 0o222 else 0o555)
    for path in folder.rglob("*"):
        path.chmod(mode if path.is_file() else folder.stat().st_mode)


def test_folder_that_cannot_be_written_to_is_still_read(tmp_path: Path) -> None:
    # a parent that everybody may pass, which pytest's own is not
    tmp_path.chmod(0o755)
    for parent in tmp_path.parents:
        if parent.stat().st_uid == os.getuid() and parent != Path("/"):
            parent.chmod(parent.stat().st_mode | 0o111)
    data = tmp_path / "data"
    data.mkdir()
    with run_live(data) as live:
        with client_at(live.address, live.key) as client:
            assert create(client).status_code == 201
        live.process.terminate()
        live.process.wait(20)
    opened(data, 0o444)

    with served_by_nobody(data) as (address, said), client_at(address, live.key) as client:
        assert not any(line.startswith("owner key") for line in said)
        assert kept(client) == 1
        assert client.post("/v1/quotes/preview", json=ASKED).status_code == 200
        answer = create(client)
        told: dict[str, Any] = answer.json()
        assert (answer.status_code, told["code"]) == (503, "storage-unavailable")
        assert answer.headers["Retry-After"]

        opened(data, 0o666)

        assert create(client).status_code == 201
        assert kept(client) == 2
    opened(data, 0o666)
    assert faults(data) == []
