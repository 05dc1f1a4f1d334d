"""Reads what the R scripts of this folder printed: one number a line, `model,quantity,name,value`, after '#' lines."""

from __future__ import annotations

import csv
from pathlib import Path

FOLDER = Path(__file__).parent

#: quantity -> name -> value
Known = dict[str, dict[str, float]]


def read_results(name: str) -> dict[str, Known]:
    """Return the numbers of `name`.csv by model, for instance `read_results("known_models")["dyestuff reml"]`."""
    with (FOLDER / f"{name}.csv").open(newline="") as file:
        rows = list(csv.DictReader(line for line in file if not line.startswith("#")))
    models: dict[str, Known] = {}
    for row in rows:
        models.setdefault(row["model"], {}).setdefault(row["quantity"], {})[row["name"]] = float(row["value"])
    return models


def read_table(name: str) -> dict[str, list[str]]:
    """Return the columns of a data set of this folder as text."""
    with (FOLDER / f"{name}.csv").open(newline="") as file:
        reader = csv.DictReader(line for line in file if not line.startswith("#"))
        rows = list(reader)
    return {column: [row[column] for row in rows] for column in reader.fieldnames or ()}
