"""The wheel: an install without a checkout has the catalogue and the languages too."""

import subprocess
import sys
import zipfile
from pathlib import Path

REPOSITORY = Path(__file__).resolve().parents[2]


def kept(folder: Path) -> set[str]:
    return {
        path.relative_to(folder).as_posix()
        for path in folder.rglob("*")
        if path.is_file() and "__pycache__" not in path.parts
    }


def test_wheel_carries_the_package_the_catalogue_and_the_examples(tmp_path: Path) -> None:
    built = subprocess.run(
        [sys.executable, "-m", "hatchling", "build", "--target", "wheel", "--directory", tmp_path],
        cwd=REPOSITORY,
        capture_output=True,
        text=True,
        check=False,
    )
    assert built.returncode == 0, built.stderr

    (wheel,) = tmp_path.glob("*.whl")
    with zipfile.ZipFile(wheel) as archive:
        carried = {name for name in archive.namelist() if ".dist-info/" not in name}

    package = {f"kitwright/{name}" for name in kept(REPOSITORY / "service" / "kitwright")}
    catalogue = {f"kitwright/_catalog/{name}" for name in kept(REPOSITORY / "catalog")}
    examples = {f"kitwright/_examples/{name}" for name in kept(REPOSITORY / "openapi" / "examples")}
    assert carried == package | catalogue | examples
