"""The house rules that no linter knows: what lies where, what the locks hold, what is not said."""

import ast
import re
import subprocess
import tomllib
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from packaging.requirements import Requirement
from packaging.utils import canonicalize_name

REPOSITORY = Path(__file__).resolve().parents[2]
PACKAGE = REPOSITORY / "service" / "kitwright"
LOCKS = ("runtime.txt", "build.txt", "tests.txt")

TOP_LEVEL = re.compile(
    r"README\.md|DEVELOPERS\.md|pyproject\.toml|service|catalog|tests|openapi|demo|LICENSE.*|\..*"
)
# Folders of one person's machine; a part of an address or of a longer path does not count.
MACHINE_PATH = re.compile(r"(?<![\w.~-])/(?:work|home|root|Users)/")
REGISTRY_HOST = re.compile(
    r"\b(?:pypi\.org|pythonhosted\.org|npmjs\.(?:org|com)|deb\.debian\.org)", re.IGNORECASE
)

MERGE_MARK = re.compile(r"^(?:<{7}|>{7}) \S", re.MULTILINE)


@pytest.fixture(scope="module")
def kept_files() -> list[Path]:
    """Return the files git keeps or is about to keep, relative to the repository."""
    if not (REPOSITORY / ".git").exists():
        pytest.skip("no git checkout, so nothing tells kept files from leftovers")
    listed = subprocess.run(
        ["git", "ls-files", "-z", "--cached", "--others", "--exclude-standard"],
        cwd=REPOSITORY,
        check=True,
        capture_output=True,
        text=True,
    ).stdout
    names = sorted(set(listed.split("\0")) - {""})
    return [Path(name) for name in names if (REPOSITORY / name).is_file()]


def project() -> dict[str, Any]:
    return tomllib.loads((REPOSITORY / "pyproject.toml").read_text())


def wanted(lock: str) -> list[Requirement]:
    """Return the requirements of pyproject.toml that a lock answers."""
    table = project()
    groups = table["dependency-groups"]

    def lines(group: str) -> Iterator[str]:
        for line in groups[group]:
            if isinstance(line, str):
                yield line
            else:
                yield from lines(line["include-group"])

    texts = {
        "runtime.txt": table["project"]["dependencies"],
        "build.txt": [*lines("build"), *table["build-system"]["requires"]],
        "tests.txt": [*table["project"]["dependencies"], *lines("tests")],
    }[lock]
    return [Requirement(text) for text in texts]


def lock_entries(lock: str) -> list[str]:
    """Return the requirements of a lock, each with its hashes on one line."""
    joined = (REPOSITORY / ".lock" / lock).read_text().replace("\\\n", " ")
    lines = (line.strip() for line in joined.splitlines())
    return [line for line in lines if line and not line.startswith("#")]


def pins(lock: str) -> dict[str, str]:
    """Return the version that a lock holds of each package, by canonical name."""
    pinned: dict[str, str] = {}
    for entry in lock_entries(lock):
        requirement = Requirement(entry.partition(" --hash")[0])
        (only,) = requirement.specifier
        assert only.operator == "==", entry
        name = canonicalize_name(requirement.name)
        assert name not in pinned, f"{name} is pinned twice"
        pinned[name] = only.version
    return pinned


def modules(folder: Path) -> list[Path]:
    found = sorted(folder.rglob("*.py"))
    assert found, f"no module under {folder}"
    return found


def syntax(module: Path) -> ast.Module:
    return ast.parse(module.read_text(encoding="utf-8"), filename=str(module))


def place(module: Path, node: ast.AST) -> str:
    return f"{module.relative_to(REPOSITORY)}:{getattr(node, 'lineno', 1)}"


def test_top_level_holds_only_what_was_agreed(kept_files: list[Path]) -> None:
    strangers = {path.parts[0] for path in kept_files if not TOP_LEVEL.fullmatch(path.parts[0])}

    assert not strangers


def test_kept_files_name_no_machine_and_no_registry(kept_files: list[Path]) -> None:
    named = [
        f"{path}:{number}: {line.strip()}"
        for path in kept_files
        for number, line in enumerate(
            (REPOSITORY / path).read_text(encoding="utf-8", errors="replace").splitlines(), start=1
        )
        if MACHINE_PATH.search(line) or REGISTRY_HOST.search(line)
    ]

    assert not named


def test_kept_files_hold_no_mark_of_a_merge(kept_files: list[Path]) -> None:
    # such a mark within a docstring is no error to Python
    marked = [
        path
        for path in kept_files
        if MERGE_MARK.search((REPOSITORY / path).read_bytes().decode(errors="replace"))
    ]
    assert marked == []


@pytest.mark.parametrize("lock", LOCKS)
def test_lock_has_no_address(lock: str) -> None:
    assert "://" not in (REPOSITORY / ".lock" / lock).read_text()


@pytest.mark.parametrize("lock", LOCKS)
def test_lock_has_a_hash_for_every_requirement(lock: str) -> None:
    unhashed = [entry for entry in lock_entries(lock) if "--hash=sha256:" not in entry]

    assert not unhashed


@pytest.mark.parametrize("lock", LOCKS)
def test_lock_answers_pyproject(lock: str) -> None:
    pinned = pins(lock)

    unanswered = [
        f"{requirement}: {pinned.get(canonicalize_name(requirement.name))}"
        for requirement in wanted(lock)
        if not requirement.specifier.contains(
            pinned.get(canonicalize_name(requirement.name), "0"), prereleases=True
        )
    ]

    assert not unanswered, "remake the locks: sh .lock/remake.sh"


@pytest.mark.parametrize("lock", ["runtime.txt", "build.txt"])
def test_lock_holds_the_versions_that_are_tested(lock: str) -> None:
    assert pins(lock).items() <= pins("tests.txt").items()


@pytest.mark.parametrize(
    "script", ["demo/run.sh", "tests/run.sh", ".lock/venv.sh", ".lock/remake.sh"]
)
def test_script_is_posix_shell(script: str) -> None:
    checked = subprocess.run(
        ["sh", "-n", script], cwd=REPOSITORY, capture_output=True, text=True, check=False
    )

    assert checked.returncode == 0, checked.stderr


@pytest.mark.parametrize("name", ["stages", "tax", "money.py"])
def test_money_is_never_a_float(name: str) -> None:
    whole = PACKAGE / name
    floats = [
        place(module, node)
        for module in ([whole] if whole.is_file() else modules(whole))
        for node in ast.walk(syntax(module))
        if (isinstance(node, ast.Constant) and isinstance(node.value, float | complex))
        or (isinstance(node, ast.Name) and node.id == "float")
    ]

    assert not floats


def test_every_module_says_what_it_is_for() -> None:
    silent = [
        str(module.relative_to(REPOSITORY))
        for module in modules(PACKAGE)
        if not ast.get_docstring(syntax(module))
    ]

    assert not silent


def test_every_public_function_and_class_says_what_it_is_for() -> None:
    silent = [
        f"{place(module, node)} {node.name}"
        for module in modules(PACKAGE)
        for node in syntax(module).body
        if isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef | ast.ClassDef)
        and not node.name.startswith("_")
        and not ast.get_docstring(node)
    ]

    assert not silent


def test_developers_find_a_changelog() -> None:
    text = (REPOSITORY / "DEVELOPERS.md").read_text(encoding="utf-8")

    assert re.search(r"^#+ Changelog$", text, re.MULTILINE)
