"""The wheel: an install without a checkout has the catalogue and the languages too."""

import subprocess
import sys
import zipfile
from pathlib import Path

from kitwright.language.texts import languages

REPOSITORY = Path(__file__).resolve().parents[2]


def kept(folder: Path) -> set[str]:
    return {
        path.relative_to(folder).as_posix()
        for path in folder.rglob("*")
        if path.is_file() and "__pycache__" not in path.parts
    }


def build(folder: Path) -> Path:
    built = subprocess.run(
        [sys.executable, "-m", "hatchling", "build", "--target", "wheel", "--directory", folder],
        cwd=REPOSITORY,
        capture_output=True,
        text=True,
        check=False,
    )
    assert built.returncode == 0, built.stderr
    (wheel,) = folder.glob("*.whl")
    return wheel


def test_wheel_carries_the_package_the_catalogue_and_the_examples(tmp_path: Path) -> None:
    wheel = build(tmp_path)

    with zipfile.ZipFile(wheel) as archive:
        carried = {name for name in archive.namelist() if ".dist-info/" not in name}

    # texts go in compiled
    package = {
        f"kitwright/{name.removesuffix('.po')}{'.mo' if name.endswith('.po') else ''}"
        for name in kept(REPOSITORY / "service" / "kitwright")
    }
    catalogue = {f"kitwright/_catalog/{name}" for name in kept(REPOSITORY / "catalog")}
    examples = {f"kitwright/_examples/{name}" for name in kept(REPOSITORY / "openapi" / "examples")}
    assert carried == package | catalogue | examples


def test_wheel_speaks_every_language_that_the_checkout_does(tmp_path: Path) -> None:
    wheel = build(tmp_path)
    with zipfile.ZipFile(wheel) as archive:
        archive.extractall(tmp_path / "installed")
    told = (
        "import kitwright; from kitwright.language.texts import languages, texts_of;"
        "print(kitwright.__file__, languages());"
        "print(texts_of('de').say('Engine'), texts_of('de').of('word', 'piston'))"
    )

    run = subprocess.run(
        [sys.executable, "-c", told],
        cwd=tmp_path,
        env={"PYTHONPATH": str(tmp_path / "installed")},
        capture_output=True,
        text=True,
        check=False,
    )

    place = tmp_path / "installed" / "kitwright" / "__init__.py"
    assert run.stdout == f"{place} {languages()}\nMotor Kolben\n", run.stderr
