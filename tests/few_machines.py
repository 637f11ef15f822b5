"""A fleet's folder cut down to some of its machines, for tests that need its records but not many of them."""

import re
from pathlib import Path

import pandas as pd


def only_machines(folder: Path, *kept: str) -> Path:
    """Leave out every row that names a machine of the fleet and none of these; headings and all other rows stay."""
    names = pd.read_csv(folder / "machines.csv")["machine"]
    named, wanted = (re.compile(rf"\b(?:{'|'.join(map(re.escape, n))})\b") for n in (names, kept))
    for path in folder.rglob("*.csv"):
        lines = path.read_text(encoding="utf-8").splitlines(keepends=True)
        own = [line for line in lines if wanted.search(line) or not named.search(line)]
        path.write_text("".join(own), encoding="utf-8")
    return folder
