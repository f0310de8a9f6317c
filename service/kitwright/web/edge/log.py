"""Log: writes JSON lines, one for each event, without bodies and without ids from paths."""

from __future__ import annotations

import asyncio
import logging
from contextlib import suppress
from datetime import UTC, datetime
from typing import Any, BinaryIO

import msgspec


class Journal:
    """Writes events to a stream, one JSON object per line.

    If the stream can no longer be written to, events are lost, but requests continue. Inside an
    event loop, the lines of one turn are written together at its end, because separate writes would
    cost more than some answers.
    """

    def __init__(self, stream: BinaryIO) -> None:
        self._stream = stream
        self._lines: list[bytes] = []

    def write(self, level: str, event: str, facts: dict[str, Any]) -> None:
        """Write one event with its time (UTC); facts that are None are left out."""
        line: dict[str, Any] = {
            "time": datetime.now(UTC).isoformat(timespec="milliseconds"),
            "level": level,
            "event": event,
        }
        line |= {name: fact for name, fact in facts.items() if fact is not None}
        encoded = msgspec.json.encode(line)
        try:
            loop = asyncio.get_running_loop()
        except RuntimeError:
            # another thread, or no event loop: the stream has its own lock
            self._put(encoded + b"\n")
            return
        self._lines.append(encoded)
        if len(self._lines) == 1:
            loop.call_soon(self._flush)

    def _flush(self) -> None:
        lines, self._lines = self._lines, []
        self._put(b"\n".join((*lines, b"")))

    def _put(self, text: bytes) -> None:
        with suppress(OSError, ValueError):
            self._stream.write(text)
            self._stream.flush()


class JournalHandler(logging.Handler):
    """Writes log records of libraries into a journal."""

    def __init__(self, journal: Journal) -> None:
        super().__init__()
        self._journal = journal
        self._text = logging.Formatter()

    def emit(self, record: logging.LogRecord) -> None:
        """Write one log record, with its traceback as text."""
        trace = self._text.formatException(record.exc_info) if record.exc_info else None
        facts = {
            "logger": record.name,
            "request_id": getattr(record, "request_id", None),
            "trace": trace,
        }
        self._journal.write(record.levelname.lower(), record.getMessage(), facts)
