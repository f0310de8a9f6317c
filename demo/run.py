"""The demo: two invented shops assess one and quote three invented machines over HTTP.

Starts the service for each shop on a free loopback port with a fresh data folder, posts the
requests of demo/requests/SHOP/, those of its folder `findings` to be assessed, the others to be
quoted; prints the assessments, the quotes and their parts orders, and keeps every answer in
demo/out/, a picture of the leak-down readings with each assessment. The last request of each shop
is kept as a quote and followed to its invoice; in two more visits more is found, and the work is
stopped.
"""

from __future__ import annotations

import subprocess
import sys
import tempfile
import urllib.error
import urllib.request
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from demo.life import show_life

HERE = Path(__file__).parent
OUT = HERE / "out"
SAID = "listening on "
OWNER = "owner key: "


@contextmanager
def running(shop: str) -> Iterator[tuple[str, str]]:
    """Run the service for a shop; give its address and its owner's key; stop it afterwards."""
    with tempfile.TemporaryDirectory(prefix="kitwright-demo-") as data:
        # faults only: the quotes are what is to be read here
        command = [sys.executable, "-m", "kitwright", "serve", "--port", "0", "--log", "faults"]
        with subprocess.Popen(
            [*command, "--shop", shop, "--data", data], stdout=subprocess.PIPE, text=True
        ) as service:
            try:
                said = service.stdout
                # a new data folder: its first start prints the owner's key
                key = said.readline() if said is not None else ""
                line = said.readline() if said is not None else ""
                if not (key.startswith(OWNER) and line.startswith(SAID)):
                    sys.exit(f"the service for {shop} did not start; see above")
                yield line.removeprefix(SAID).strip(), key.removeprefix(OWNER).strip()
            finally:
                service.terminate()


def post(address: str, key: str, body: bytes, accept: str) -> bytes:
    """Post a request; return the answer, or end with the problem that came back."""
    request = urllib.request.Request(
        address,
        data=body,
        headers={
            "Authorization": f"Bearer {key}",
            "Content-Type": "application/json",
            "Accept": accept,
        },
        method="POST",
    )
    try:
        with urllib.request.urlopen(request, timeout=30) as answer:
            return bytes(answer.read())
    except urllib.error.HTTPError as error:
        sys.exit(f"refused: {error.read().decode()}")


def ask(address: str, key: str, path: Path, *, picture: bool = False) -> None:
    """Post one request file in every form, keep the answers, print the text."""
    body = path.read_bytes()
    forms = {".json": "application/json", ".txt": "text/plain"}
    if picture:
        forms[".svg"] = "image/svg+xml"
    for suffix, accept in forms.items():
        answer = post(address, key, body, accept)
        (OUT / path.name).with_suffix(suffix).write_bytes(answer)
        if suffix == ".txt":
            print(answer.decode())


def main() -> None:
    """Assess and quote every request of every shop; keep the last one and follow its life."""
    OUT.mkdir(exist_ok=True)
    for folder in sorted((HERE / "requests").iterdir()):
        with running(folder.name) as (address, key):
            for path in sorted((folder / "findings").glob("*.json")):
                ask(f"{address}/v1/assessments", key, path, picture=True)
            for path in sorted(folder.glob("*.json")):
                ask(f"{address}/v1/quotes/preview", key, path)
            show_life(address, key, path, OUT)
    kept = OUT.relative_to(HERE.parent)
    print(f"Every answer is kept in {kept}/: as JSON, as text, the readings as a picture (SVG).")


if __name__ == "__main__":
    main()
