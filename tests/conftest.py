"""What every test may ask for: the shared vectors, and how hard Hypothesis tries."""

import os
import shutil
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING

import pytest
from hypothesis import settings
from tests.keeping.facts import told_words

from kitwright.keeping.record import Event
from kitwright.store.events import EventTable

if TYPE_CHECKING:
    from playwright.sync_api import Browser

REPOSITORY = Path(__file__).resolve().parents[1]

# No deadlines: on a busy machine they fail tests for the time of day.
settings.register_profile("here", deadline=None)
# The same few examples each run, so that a change fails for what it does and not for luck.
settings.register_profile(
    "ci", max_examples=50, derandomize=True, database=None, deadline=None, print_blob=True
)
# For a night: KITWRIGHT_LONG=1 sh tests/run.sh
settings.register_profile(
    "long", max_examples=2000, derandomize=False, deadline=None, print_blob=True
)

if os.environ.get("KITWRIGHT_LONG") == "1":
    settings.load_profile("long")
elif os.environ.get("CI"):
    settings.load_profile("ci")
else:
    settings.load_profile("here")


@pytest.fixture(scope="session", autouse=True)
def checked_facts() -> Iterator[None]:
    """Check every event that any test adds: its facts are no text that somebody wrote."""
    add = EventTable.add

    def checked(self: EventTable, event: Event, only: int | None = None) -> Event:
        words = told_words(event)
        assert not words, f"{event.kind} tells {words}"
        return add(self, event, only)

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(EventTable, "add", checked)
        yield


@pytest.fixture(scope="session")
def shared() -> Path:
    """Return the folder of published vectors, or skip where it is absent.

    KITWRIGHT_SHARED names it; without that it lies beside the repository.
    """
    folder = Path(os.environ.get("KITWRIGHT_SHARED", REPOSITORY.parent / "shared"))
    if not (folder / "vectors").is_dir():
        pytest.skip(f"shared vectors folder absent: {folder} (KITWRIGHT_SHARED names another)")
    return folder


_ARGUMENTS = [
    "--no-sandbox",
    "--disable-gpu",
    "--disable-background-networking",
    "--no-first-run",
    "--disable-sync",
    "--disable-component-update",
]


@pytest.fixture(scope="module")
def browser() -> Iterator["Browser"]:
    """Return a browser: the machine's, or the one that the test library brings."""
    # here, since few tests need it and all would wait for it
    from playwright.sync_api import sync_playwright

    with sync_playwright() as library:
        own = shutil.which("chromium")
        if own is None and not Path(library.chromium.executable_path).exists():
            pytest.skip("no browser to open pages with")
        started = library.chromium.launch(executable_path=own, args=_ARGUMENTS)
        yield started
        started.close()


@pytest.fixture
def no_umask() -> Iterator[None]:
    """Let new files be as open as their makers ask for."""
    before = os.umask(0)
    yield
    os.umask(before)
