"""A service that starts quickly, to be killed often: `python -m tests.crash.zygote FOLDER [UID]`.

Loads the catalogue once, and asks once what it will be asked, so that children remember it; for
every line on standard input it forks a child that opens the data folder and serves it, just as
`kitwright serve` does after loading; as another user, where one is given and this one may. Prints
the child's process id, then what the child says.
"""

import logging
import os
import signal
import sys
import tempfile
from contextlib import suppress
from importlib import import_module
from pathlib import Path

from tests.crash.rounds import REQUESTS
from tests.desks import client_alone

from kitwright.app import make_service, serve_service
from kitwright.settings import Settings, built_in_catalog
from kitwright.web.calls.service import Service
from kitwright.web.edge.log import Journal


def warm(service: Service) -> None:
    """Ask for what the writers ask for, in a folder that is thrown away."""
    with tempfile.TemporaryDirectory() as folder, client_alone(service, Path(folder)) as client:
        for number, request in enumerate(REQUESTS):
            once = {"Idempotency-Key": f'"warm-{number}"'}
            assert client.post("/v1/quotes", json=request, headers=once).status_code == 201


def main() -> None:
    settings = Settings(
        catalog=built_in_catalog(), shop="hire-yard", data=Path(sys.argv[1]), port=0, rate=0
    )
    logging.basicConfig(level=logging.WARNING)
    service = make_service(settings)
    warm(service)
    if len(sys.argv) > 2:
        # Litestar imports it with the application; another user may not be able to read it
        with suppress(ImportError):
            import_module("pydantic.v1")
    # nobody waits for the children, who are killed
    signal.signal(signal.SIGCHLD, signal.SIG_IGN)
    for _ in sys.stdin:
        child = os.fork()
        if child == 0:
            signal.signal(signal.SIGCHLD, signal.SIG_DFL)
            if len(sys.argv) > 2 and os.getuid() == 0:
                os.setgroups([])
                os.setgid(int(sys.argv[2]))
                os.setuid(int(sys.argv[2]))
            try:
                serve_service(service, settings, lambda line: print(line, flush=True), _JOURNAL)
            except BaseException:
                # the parent keeps standard output open, so nothing else tells its reader
                print("stopped", flush=True)
                raise
            os._exit(0)
        print(f"process {child}", flush=True)


_JOURNAL = Journal(sys.stderr.buffer)

if __name__ == "__main__":
    main()
