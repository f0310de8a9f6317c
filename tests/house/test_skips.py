"""The check on skips lets through what nothing can be done about, and only where that holds."""

import os
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

REPOSITORY = Path(__file__).resolve().parents[2]

VECTORS = (
    '<skipped type="pytest.skip" message="shared vectors folder absent: elsewhere">t.py:1</skipped>'
)
OTHER = '<skipped type="pytest.skip" message="could not import \'solver\'">t.py:1</skipped>'


@pytest.fixture
def clone(tmp_path: Path) -> Path:
    """Return a folder with the check in it, and nothing beside it."""
    folder = tmp_path / "clone"
    (folder / ".ci").mkdir(parents=True)
    shutil.copy(REPOSITORY / ".ci" / "skips.py", folder / ".ci" / "skips.py")
    return folder


def check(clone: Path) -> subprocess.CompletedProcess[str]:
    """Return how the check ends in the clone for the report that lies there."""
    return subprocess.run(
        [sys.executable, clone / ".ci" / "skips.py", clone / "pytest.xml"],
        capture_output=True,
        text=True,
        check=False,
    )


def report(clone: Path, *outcomes: str) -> None:
    cases = "".join(
        f'<testcase classname="tests.t" name="test_{number}">{outcome}</testcase>'
        for number, outcome in enumerate(outcomes)
    )
    (clone / "pytest.xml").write_text(f"<testsuites><testsuite>{cases}</testsuite></testsuites>")


def test_skips_pass_without_any(clone: Path) -> None:
    report(clone, "", "")

    assert check(clone).returncode == 0


def test_skips_pass_for_the_vectors_where_they_are_absent(clone: Path) -> None:
    report(clone, "", VECTORS)

    assert check(clone).returncode == 0


def test_skips_fail_for_the_vectors_where_they_are_there(clone: Path) -> None:
    (clone.parent / "shared").mkdir()
    report(clone, "", VECTORS)

    ended = check(clone)

    assert ended.returncode == 1
    assert "tests.t::test_1" in ended.stdout


@pytest.mark.parametrize("outcome", [OTHER, OTHER.replace("pytest.skip", "pytest.xfail")])
def test_skips_fail_for_any_other_reason(clone: Path, outcome: str) -> None:
    report(clone, outcome, VECTORS)

    ended = check(clone)

    assert ended.returncode == 1
    assert "could not import 'solver'" in ended.stdout
    assert "vectors" not in ended.stdout


def test_skips_pass_for_what_the_shared_fixture_says(clone: Path) -> None:
    test = clone / "test_vectors.py"
    test.write_text("def test_vectors(shared):\n    raise AssertionError\n")
    environment = {key: value for key, value in os.environ.items() if key != "PYTEST_ADDOPTS"}
    environment["KITWRIGHT_SHARED"] = str(clone / "absent")
    options = ["-p", "tests.conftest", "-p", "no:cacheprovider", f"--rootdir={clone}"]
    ran = subprocess.run(
        [sys.executable, "-m", "pytest", *options, f"--junit-xml={clone / 'pytest.xml'}", test],
        cwd=REPOSITORY,
        env=environment,
        capture_output=True,
        text=True,
        check=False,
    )

    assert ran.returncode == 0, ran.stdout
    assert "1 skipped" in ran.stdout
    assert check(clone).returncode == 0
