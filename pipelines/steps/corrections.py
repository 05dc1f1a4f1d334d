"""What looking back on hidden tests taught of each group's forecasts, for the runs that follow."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date

from wearlab.store.database import Database


@dataclass(frozen=True, slots=True)
class Corrected:
    """The factor on a group's standard deviations, 1 where none was learnt, and what is to be said with its levels."""

    factor: float
    sentences: tuple[str, ...]


def corrections(db: Database, as_of: date) -> dict[tuple[str, str], Corrected]:
    """By measure and protocol: what the newest look back that was known on a day says of it."""
    run = newest_look_back(db, as_of)
    rows = db.rows("SELECT measure, protocol, factor, sentence, signs FROM recalibration WHERE run_id = ?", [run])
    return {
        (measure, protocol): Corrected(
            1.0 if factor is None else float(factor), (*(() if factor is None else (str(sentence),)), *signs)
        )
        for measure, protocol, factor, sentence, signs in rows
    }


def newest_look_back(db: Database, as_of: date) -> int:
    """Number of the newest run that looked back, known on a day; 0 where none did."""
    found = db.value("SELECT max(run_id) FROM run WHERE step = 'hindsight' AND as_of <= ?", [as_of])
    return 0 if found is None else int(found)
