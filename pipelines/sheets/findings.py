"""What the rules found in one sheet, collected in blocks of rows and handed to the store as one table."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from pipelines.sheets.cells import Bools, Cells, Ints, objects
from pipelines.sheets.checks import RULES, Level, Rule
from pipelines.sheets.match import Mapped
from wearlab.errors import one_line


class Findings:
    """Remarks on the data rows 0..n-1 of one sheet; rows flagged or set aside are known at any time."""

    def __init__(self, rows: int) -> None:
        self.flagged: Bools = np.zeros(rows, dtype=np.bool_)
        self.aside: Bools = np.zeros(rows, dtype=np.bool_)
        self.cells_aside = 0
        #: Rows that a person accepted, by rule and column number from 1 (0: the whole row): not doubted again.
        self.waived: dict[tuple[str, int], Ints] = {}
        self._cell_rows: list[Ints] = []
        self._blocks: list[pd.DataFrame] = []

    def add(
        self,
        code: str,
        rows: Ints | Bools,
        *,
        column: Mapped | None = None,
        cells: Cells | None = None,
        more: str | Sequence[str] = "",
        suggestion: Sequence[str | None] | None = None,
    ) -> None:
        """Note that a rule applies to rows.

        Parameters
        ----------
        code : name of the rule in the table.
        rows : indices, or a mask over all data rows.
        column : the column doubted; None when the whole row is meant.
        cells : the texts of the doubted cells, one for each of `rows`.
        more : what the rule's sentence adds: one text, or one for each of `rows`.
        suggestion : a likely correction for each of `rows`; never applied.
        """
        if rows.dtype == np.bool_:
            rows = np.flatnonzero(rows)
        if self.waived and (open_rows := self.unsettled(code, np.asarray(rows, np.int64), column)) is not None:
            rows = rows[open_rows]
            cells = None if cells is None else cells.at(open_rows)
            more = more if isinstance(more, str) else [more[place] for place in open_rows]
            suggestion = None if suggestion is None else [suggestion[place] for place in open_rows]
        if not len(rows):
            return
        rule = RULES[code]
        name = "" if column is None else column.name
        texts: list[str] = [""] * len(rows) if cells is None else list(cells.objects())
        extra: Sequence[str] = [more] * len(rows) if isinstance(more, str) else more
        known: dict[tuple[str, str], str] = {}
        sentences = []
        for key in zip(texts, extra, strict=True):
            if key not in known:
                known[key] = sentence_of(rule, key[0], name, key[1])
            sentences.append(known[key])
        block = pd.DataFrame({"row": np.asarray(rows, dtype=np.int64)})
        block["col_no"] = np.full(len(rows), np.nan if column is None else column.index + 1.0)
        block["col_name"] = objects([None if column is None else name] * len(rows))
        block["level"] = objects([rule.level.value] * len(rows))
        block["code"] = objects([code] * len(rows))
        block["sentence"] = objects(sentences)
        block["cell"] = objects([None if cells is None else text for text in texts])
        block["suggestion"] = objects([None] * len(rows) if suggestion is None else list(suggestion))
        self._blocks.append(block)
        if rule.level == Level.FLAG:
            self.flagged[rows] = True
        elif rule.level == Level.ROW:
            self.aside[rows] = True
        elif rule.level == Level.CELL:
            self.flagged[rows] = True
            self._cell_rows.append(np.asarray(rows, dtype=np.int64))
            self.cells_aside += len(rows)

    def forget(self, rows: Ints) -> None:
        """Take back all that was said of some rows, of which only one thing is worth saying."""
        self._blocks = [block[~block["row"].isin(rows)] for block in self._blocks]
        self._cell_rows = [one[~np.isin(one, rows)] for one in self._cell_rows]
        self.cells_aside = sum(len(one) for one in self._cell_rows)
        self.flagged[rows] = False

    def unsettled(self, code: str, rows: Ints, column: Mapped | None) -> Ints | None:
        """Return which of `rows` (places in it) a person has not accepted for a rule; None: none was accepted."""
        waived = self.waived.get((code, 0 if column is None else column.index + 1))
        return None if waived is None else np.flatnonzero(~np.isin(rows, waived))

    def lost(self, stored: Bools) -> Bools:
        """Return the rows of which a cell was set aside and nothing was stored."""
        touched = np.zeros(len(self.flagged), dtype=np.bool_)
        for rows in self._cell_rows:
            touched[rows] = True
        return touched & ~stored

    def frame(self) -> pd.DataFrame:
        """Return every remark; `row` is the index of the data row."""
        blocks = [block for block in self._blocks if len(block)]
        if not blocks:
            return pd.DataFrame({"row": np.zeros(0, dtype=np.int64)})
        return pd.concat(blocks, ignore_index=True).sort_values("row", kind="stable", ignore_index=True)


def sentence_of(rule: Rule, cell: str, column: str, more: str) -> str:
    """Return what a rule says of a cell, with the names and figures filled in."""
    told = rule.sentence.format(
        cell=shortened(cell),
        column=f'"{column}"',
        what=f'"{shortened(cell)}" in the column "{column}"' if column else f'"{shortened(cell)}"',
        more=more,
    )
    return one_line(told)


def shortened(text: str, length: int = 80) -> str:
    """Return a text cut to a readable length, on one line."""
    line = " ".join(text.split())
    return line if len(line) <= length else line[: length - 1] + "…"


def picked(values: Sequence[str], rows: NDArray[np.int64]) -> list[str]:
    """Return the values of chosen rows."""
    return [values[row] for row in rows]
