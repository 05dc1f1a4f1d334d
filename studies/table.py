"""The committed tables of the studies: one row a dataclass of numbers and words, as CSV."""

from __future__ import annotations

import csv
from collections.abc import Sequence
from dataclasses import asdict, fields
from pathlib import Path
from typing import Any, TypeVar

Row = TypeVar("Row")

_KINDS: dict[str, Any] = {"int": int, "float": float, "str": str, "bool": lambda text: text == "True"}


def read_table(path: Path, kind: type[Row]) -> list[Row]:
    """Return the rows of a table as dataclasses of one kind."""
    of = {field.name: _KINDS[str(field.type)] for field in fields(kind)}  # type: ignore[arg-type]
    with path.open(encoding="utf-8", newline="") as lines:
        return [kind(**{name: of[name](value) for name, value in line.items()}) for line in csv.DictReader(lines)]


def write_table(path: Path, rows: Sequence[Any], kind: type, digits: int) -> None:
    """Write rows under the names of the kind's fields, figures to so many digits."""
    with path.open("w", encoding="utf-8", newline="") as out:
        table = csv.writer(out, lineterminator="\n")
        table.writerow([field.name for field in fields(kind)])
        for row in rows:
            table.writerow([f"{v:.{digits}g}" if isinstance(v, float) else v for v in asdict(row).values()])
