"""Fails on a skipped test, unless nothing could have been done about it: `skips.py pytest.xml`."""

import shutil
import sys
from pathlib import Path
from xml.etree import ElementTree as ET

REPOSITORY = Path(__file__).resolve().parents[1]

# The only reasons a test may be skipped for, each with whether it holds here.
ALLOWED = {
    # The vectors are data from elsewhere, which a clone alone does not have beside it.
    "shared vectors folder absent": not (REPOSITORY.parent / "shared").exists(),
    # Pages are opened with the machine's browser, or with one that was fetched for the tests.
    "no browser to open pages with": shutil.which("chromium") is None,
}


def avoidable_skips(report: Path) -> list[str]:
    """Return the skips and expected failures of a JUnit report that no allowed reason covers.

    Args:
        report: what pytest wrote with --junit-xml.

    Returns: a sentence each, the test and its reason.
    """
    avoidable = []
    for case in ET.parse(report).iter("testcase"):
        for skipped in case.iter("skipped"):
            reason = f"{skipped.get('message', '')} {skipped.text or ''}"
            if not any(holds and phrase in reason for phrase, holds in ALLOWED.items()):
                avoidable.append(f"{case.get('classname')}::{case.get('name')}: {reason.strip()}")
    return avoidable


def main() -> int:
    """Print each avoidable skip; return the exit status, 0 without any."""
    avoidable = avoidable_skips(Path(sys.argv[1]))
    for sentence in avoidable:
        print(f"avoidable skip: {sentence}")
    if not avoidable:
        print("no avoidable skip")
    return 1 if avoidable else 0


if __name__ == "__main__":
    sys.exit(main())
