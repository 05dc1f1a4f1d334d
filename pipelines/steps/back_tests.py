"""The back-test of `wearlab.forecast.backtest` on a table in a file: columns unit, time, value; others are ignored."""

from __future__ import annotations

import csv
from dataclasses import asdict, dataclass
from math import isfinite, nan
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from wearlab.errors import InputError
from wearlab.forecast.backtest import BackTest, back_test
from wearlab.records import NoAnswer

NEEDED = ("unit", "time", "value")
_SEPARATORS = ",;\t"


@dataclass(frozen=True, slots=True, eq=False)
class ValueTable:
    """Columns of a table, one entry a row that names a unit; `value` is NaN where its cell is blank."""

    unit: list[str]
    time: NDArray[np.float64]
    value: NDArray[np.float64]


def read_table(path: Path) -> ValueTable:
    """Read a table of unit, time and value: separated by commas, semicolons or tabs; lines of `#` are remarks.

    Raises
    ------
    InputError
        The file cannot be read, lacks a column, or a cell is no number.
    """
    try:
        text = path.read_text(encoding="utf-8-sig")
    except FileNotFoundError:
        raise InputError(f"{path}: there is no such file") from None
    except UnicodeDecodeError:
        raise InputError(f"{path}: the text is not UTF-8; save the table as CSV in UTF-8") from None
    except OSError as fault:
        raise InputError(f"{path}: the file cannot be read ({fault.strerror})") from None
    lines = [(k, line) for k, line in enumerate(text.splitlines(), 1) if line.strip() and not line.startswith("#")]
    if not lines:
        raise InputError(f"{path}: the table is empty; a header with unit, time and value was expected")
    separator = max(_SEPARATORS, key=lines[0][1].count)
    header = [word.strip().strip('"').lower() for word in lines[0][1].split(separator)]
    missing = [name for name in NEEDED if name not in header]
    if missing:
        raise InputError(
            f"{path}: the header (line {lines[0][0]}) has no column {' and no column '.join(missing)}; "
            "expected are the columns unit, time, value"
        )
    at = [header.index(name) for name in NEEDED]
    units, times, values = [], [], []
    for k, line in lines[1:]:
        row = next(csv.reader([line], delimiter=separator))
        cells = [row[place].strip() if place < len(row) else "" for place in at]
        if not any(cells):
            continue
        if not cells[0]:
            raise InputError(f"{path}, line {k}: the row names no unit")
        value = _number(cells[2], path, k, "value", separator) if cells[2] else nan
        units.append(cells[0])
        values.append(value)
        times.append(_number(cells[1], path, k, "time", separator) if cells[1] or isfinite(value) else 0.0)
        if times[-1] < 0:
            raise InputError(f"{path}, line {k}: the time {cells[1]} is below 0; time counts from the start of a unit")
    if not any(isfinite(value) for value in values):
        raise InputError(f"{path}: the table has no value")
    return ValueTable(units, np.array(times), np.array(values))


def _number(cell: str, path: Path, line: int, column: str, separator: str) -> float:
    try:
        found = float(cell.replace(",", ".") if separator != "," else cell)
    except ValueError:
        found = nan
    if not isfinite(found):
        raise InputError(f'{path}, line {line}: the {column} "{cell}" is not a number')
    return found


def table_back_test(
    path: Path, limit: float, *, origin: float | None, origin_reading: int | None, falling: bool
) -> BackTest:
    """Run the back-test on a file.

    Raises
    ------
    InputError
        The table or the options cannot be used, or no model can be fitted.
    """
    read = read_table(path)
    if not isfinite(limit):
        raise InputError("the limit is a number")
    try:
        found = back_test(
            read.unit, read.time, read.value, limit, origin=origin, origin_reading=origin_reading, falling=falling
        )
    except InputError as fault:
        raise InputError(f"{path}: {fault}") from None
    if isinstance(found, NoAnswer):
        raise InputError(f"{path}: {found.reason}")
    return found


def as_plain(found: BackTest) -> dict[str, Any]:
    """Return a back-test as plain values for JSON."""
    return {
        **asdict(found.score),
        "scale": [list(one) for one in found.scale],
        "accelerating": found.signs.accelerating,
        "misfit": found.signs.misfit,
        "sentences": list(found.signs.sentences),
        "left_out": found.left_out,
        "rivals": {name: asdict(score) for name, score in found.rivals.items()},
    }
