"""The account of a file: every row read has its place, and what was asked."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Literal

import numpy as np
import pandas as pd

from pipelines.sheets.questions import Question


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


@dataclass(slots=True)
class SheetResult:
    """What one sheet brings: tables for the store (without file_id), and which data rows are stored."""

    frames: list[tuple[str, pd.DataFrame]]
    stored: np.ndarray[tuple[int], np.dtype[np.bool_]]
    readings: int = 0
    questions: list[Question] = field(default_factory=list)
