"""The account of a file: every row read has its place, and what was asked."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Literal

import numpy as np
import pandas as pd

from pipelines.sheets.questions import Question
from wearlab.errors import one_line

#: Longest line of an account, in signs; one that names what each of many columns was taken for is long.
LONGEST_LINE = 20_000


@dataclass(frozen=True, slots=True)
class FileAccount:
    """What happened to one file; rows_read = structure + accepted + flagged + set_aside, always."""

    file: str
    status: Literal["loaded", "already loaded", "refused"]
    rows_read: int = 0
    structure: int = 0
    accepted: int = 0
    flagged: int = 0
    set_aside: int = 0
    cells_set_aside: int = 0
    readings: int = 0
    questions: tuple[str, ...] = ()
    layout: str | None = None
    sentence: str | None = None
    question_ids: tuple[str, ...] = ()
    proposal: str | None = None
    proposed: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        """Sentences quote headers and cells, which may hold signs that do not print; a screen gets none of them."""
        if self.sentence is not None:
            object.__setattr__(self, "sentence", one_line(self.sentence, LONGEST_LINE))
        for name in ("questions", "proposed"):
            lines = tuple(one_line(line, LONGEST_LINE) for line in getattr(self, name))
            object.__setattr__(self, name, lines)


@dataclass(slots=True)
class SheetResult:
    """What one sheet brings: tables for the store (without file_id), and which data rows are stored."""

    frames: list[tuple[str, pd.DataFrame]]
    stored: np.ndarray[tuple[int], np.dtype[np.bool_]]
    readings: int = 0
    questions: list[Question] = field(default_factory=list)
