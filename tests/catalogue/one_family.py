"""One family: the starter catalogue with one engine family and one shop, proven in a tenth of the
time.
"""

from __future__ import annotations

import re
import shutil
from pathlib import Path
from typing import Final

FAMILY: Final = "QM-H27"
SHOP: Final = "hire-yard"
_STARTER: Final = Path(__file__).resolve().parents[2] / "catalog"
_OF_OTHERS: Final = re.compile(r'item = "(?:V68|D74|S50)-|head_bolt = ')
_MAKER: Final = '"Quellmar"'
_OTHER_MAKER: Final = '"Tarnbeck"'


def write_one_family(folder: Path) -> Path:
    """Write the catalogue into a folder that does not exist yet, and return the folder."""
    shutil.copytree(_STARTER, folder)
    for place, kept in (("families", FAMILY), ("shops", SHOP)):
        for path in (folder / place).glob("*.toml"):
            if path.stem != kept:
                path.unlink()
    for path in (*(folder / "suppliers").glob("*.toml"), folder / "shops" / f"{SHOP}.toml"):
        lines = path.read_text(encoding="utf-8").splitlines(keepends=True)
        text = "".join(line for line in lines if not _OF_OTHERS.search(line))
        text = text.replace(f"{_OTHER_MAKER}, ", "").replace(_OTHER_MAKER, _MAKER)
        path.write_text(text, encoding="utf-8")
    return folder
