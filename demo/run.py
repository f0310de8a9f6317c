"""The demo: two invented shops quote three invented machines over HTTP.

Starts the service for each shop on a free loopback port with a fresh data folder, posts the
requests of demo/requests/SHOP/, prints the quotes and their parts orders, and keeps every answer in
demo/out/.
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

HERE = Path(__file__).parent
OUT = HERE / "out"
SAID = "listening on "


@contextmanager
def running(shop: str) -> Iterator[str]:
    """Run the service for a shop; give its address; stop it afterwards."""
    with tempfile.TemporaryDirectory(prefix="kitwright-demo-") as data:
        command = [sys.executable, "-m", "kitwright", "serve", "--port", "0"]
        with subprocess.Popen(
            [*command, "--shop", shop, "--data", data], stdout=subprocess.PIPE, text=True
        ) as service:
            try:
                line = service.stdout.readline() if service.stdout is not None else ""
                if not line.startswith(SAID):
                    sys.exit(f"the service for {shop} did not start; see above")
                yield line.removeprefix(SAID).strip()
            finally:
                service.terminate()


def post(address: str, body: bytes, accept: str) -> bytes:
    """Post a preview request; return the answer, or end with the problem that came back."""
    request = urllib.request.Request(
        f"{address}/v1/quotes/preview",
        data=body,
        headers={"Content-Type": "application/json", "Accept": accept},
        method="POST",
    )
    try:
        with urllib.request.urlopen(request, timeout=30) as answer:
            return bytes(answer.read())
    except urllib.error.HTTPError as error:
        sys.exit(f"refused: {error.read().decode()}")


def main() -> None:
    """Quote every request of every shop."""
    OUT.mkdir(exist_ok=True)
    for folder in sorted((HERE / "requests").iterdir()):
        with running(folder.name) as address:
            for path in sorted(folder.glob("*.json")):
                body = path.read_bytes()
                (OUT / path.name).write_bytes(post(address, body, "application/json"))
                text = post(address, body, "text/plain").decode()
                (OUT / path.name).with_suffix(".txt").write_text(text, encoding="utf-8")
                print(text)
    print(f"Every answer is kept in {OUT.relative_to(HERE.parent)}/, as JSON and as text.")


if __name__ == "__main__":
    main()
