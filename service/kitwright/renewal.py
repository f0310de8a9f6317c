"""Renewal: a running service reloads its catalogue if the new one is complete and verified; if not,
it continues with the present one. It takes over prices that were applied.
"""

from __future__ import annotations

import asyncio
import os
import sys
from asyncio.subprocess import DEVNULL, PIPE
from collections.abc import Callable
from pathlib import Path
from time import monotonic
from typing import Final

from msgspec import Struct, field

from kitwright.catalogue.model import Catalogue
from kitwright.catalogue.problems import CatalogueError
from kitwright.errors import KitwrightError, reason_of
from kitwright.serving import settle_garbage
from kitwright.settings import ENVIRONMENT
from kitwright.web.calls.service import Service
from kitwright.web.edge.log import Journal

_LESS_URGENT: Final = 10
"""The `nice` value by which verification yields to the service."""


class Renewal(Struct):
    """Reads the catalogue again each time it is asked to.

    The catalogue is verified in a separate process. Everything else except the change itself is
    done in a thread, so that the service continues to answer. A call in progress is answered from
    the catalogue that it began with. The result is written to the journal.

    Args:
        service: the service that answers now.
        folder: the folder of its catalogue.
        read: makes a service from a catalogue and the prices in force; from the present state of
            the folder if no catalogue is given.
        prepare: prepares the answers of a service; the function that it returns puts them in use.
        journal: where the result is written.
        task: the reading in progress.
        is_asked_again: whether to read again after that.
        changing: held while another service is put into use.
    """

    service: Service
    folder: Path
    read: Callable[[Catalogue | None], Service]
    prepare: Callable[[Service], Callable[[], None]]
    journal: Journal
    task: asyncio.Task[None] | None = None
    is_asked_again: bool = False
    changing: asyncio.Lock = field(default_factory=asyncio.Lock)

    def ask(self) -> None:
        """Start to read the catalogue; if that is already running, repeat it afterwards."""
        if self.task is not None:
            self.is_asked_again = True
            return
        self.task = asyncio.get_running_loop().create_task(self._renew())
        self.task.add_done_callback(self._done)

    def _done(self, task: asyncio.Task[None]) -> None:
        self.task = None
        if self.is_asked_again and not task.cancelled():
            self.is_asked_again = False
            self.ask()

    async def take_prices(self) -> None:
        """Put the prices in force into use, with the present catalogue. Raises: KitwrightError."""
        async with self.changing:
            service = await asyncio.to_thread(self.read, self.service.files)
            await self._put_into_use(service)
        facts = {"price_revision": service.prices, "catalogue_revision": service.revision}
        self.journal.write("info", "prices-taken", facts)

    async def _renew(self) -> None:
        begun = monotonic()
        try:
            async with self.changing:
                warnings = await self._take_over()
        except (KitwrightError, OSError) as error:
            told = str(error) if isinstance(error, KitwrightError) else reason_of(error)
            self._refuse(told.splitlines())
        except Exception as error:  # noqa: BLE001 - whatever it is, the old catalogue goes on
            self._refuse([repr(error)])
        else:
            facts = {
                "catalogue_revision": self.service.revision,
                "warnings": warnings,
                "seconds": round(monotonic() - begun, 1),
            }
            self.journal.write("info", "catalogue-taken", facts)

    def _refuse(self, reasons: list[str]) -> None:
        revision = self.service.revision
        facts = {"catalogue_revision": revision, "reasons": reasons}
        self.journal.write("error", "catalogue-refused", facts)

    async def _take_over(self) -> list[str]:
        """Put the folder's catalogue into use; return the warnings about it.

        Raises: KitwrightError, OSError.
        """
        service = await asyncio.to_thread(self.read, None)
        if service.revision == self.service.revision:
            return []
        warnings: list[str] = []
        if service.files.revision != self.service.files.revision:
            warnings = await self._prove(service.files.revision)
        await self._put_into_use(service)
        return warnings

    async def _put_into_use(self, service: Service) -> None:
        old = self.service
        take_over = await asyncio.to_thread(self.prepare, service)
        take_over()
        self.service = service
        old.workshop.memory.clear()
        settle_garbage()

    async def _prove(self, revision: str) -> list[str]:
        """Verify the folder's catalogue, which has to have a revision; return the warnings.

        Raises: CatalogueNotProven.
        """
        command = [sys.executable, "-m", "kitwright", "check-catalog"]
        command += ["--catalog", str(self.folder)]
        # environment settings that were overridden on the command line may be unreadable
        rest = {name: os.environ[name] for name in os.environ.keys() - {*ENVIRONMENT.values()}}
        proof = await asyncio.create_subprocess_exec(
            *command, stdin=DEVNULL, stdout=PIPE, stderr=PIPE, env=rest
        )
        try:
            if sys.platform != "win32":
                os.setpriority(os.PRIO_PROCESS, proof.pid, _LESS_URGENT)
            said, complaints = await proof.communicate()
        finally:
            if proof.returncode is None:
                proof.kill()
        told = complaints.decode(errors="replace").splitlines()
        if proof.returncode != 0:
            raise CatalogueNotProven("\n".join(told) or f"exit code {proof.returncode}")
        if f"revision {revision}" not in said.decode().splitlines():
            raise CatalogueNotProven("files changed while they were read; ask again")
        return told


class CatalogueNotProven(CatalogueError):
    """A catalogue that was read, but failed verification."""

    code = "catalogue-not-proven"
