"""Meter readings beside the vehicle's others: going back, or too far in too few days."""

from __future__ import annotations

import numpy as np
import pandas as pd

from pipelines.sheets.cells import Cells, Floats, Ints
from pipelines.sheets.checks import KM_A_DAY_MOST
from pipelines.sheets.dates import Dates
from pipelines.sheets.incoming import incoming
from pipelines.sheets.table import SheetTable
from wearlab.store.database import Database

_FACTORS = (10.0, 100.0, 1000.0, 0.1, 0.01)


def check_meter(table: SheetTable, database: Database, vehicle: Cells, day: Dates, odometer: Floats) -> None:
    """Flag readings of the meter that do not fit the vehicle's others; a likely slip of digits is suggested.

    What the vehicle truly drove is worked out later from its whole history; here rows are only named.
    """
    mapped = table.one("odometer")
    rows = np.flatnonzero(table.live & ~np.isnan(odometer) & ~np.isnat(day))
    if mapped is None or not len(rows):
        return
    code, when, km, own, support = _with_stored(database, vehicle, day, odometer, rows)
    order = np.lexsort((km, when, code))
    code, when, km, own, support = code[order], when[order], km[order], own[order], support[order]
    same = code[1:] == code[:-1]
    days = np.maximum(when[1:] - when[:-1], 1)
    step = km[1:] - km[:-1]
    odd = np.flatnonzero(same & ((step > KM_A_DAY_MOST * days) | ((step < 0) & (when[1:] > when[:-1]))))
    told: set[int] = set()
    for place in odd.tolist():
        before, after = place, place + 1
        guilty, guess = _guilty(code, when, km, support, before, after)
        if guilty in told or own[guilty] < 0:
            continue
        told.add(guilty)
        cells = table.cells(mapped).at(np.array([own[guilty]]))
        back = bool(step[place] < 0) and guess is None
        more = (
            f"{km[before]:,.0f} km of {_date(when[before])}".replace(",", " ")
            if back
            else f"{abs(step[place]):,.0f} km in {days[place]} days".replace(",", " ")
        )
        table.findings.add(
            "odometer_back" if back else "odometer_slip",
            np.array([own[guilty]], dtype=np.int64),
            column=mapped,
            cells=cells,
            more=more,
            suggestion=[None if guess is None else f"{guess:g} km"],
        )


def _guilty(code: Ints, when: Ints, km: Floats, support: Ints, before: int, after: int) -> tuple[int, float | None]:
    """The reading of a pair that shifted digits would mend.

    Where both could be, the one written down less often, then the one with a fraction; where neither
    could, the later.
    """
    mended: list[tuple[int, bool, int, float]] = []
    for place in (after, before):
        for factor in _FACTORS:
            guess = float(km[place] * factor)
            if _fits(code, when, km, place, guess):
                mended.append((int(support[place]), bool(km[place] == np.round(km[place])), place, guess))
                break
    if not mended:
        return after, None
    best = min(mended, key=lambda one: one[:2])
    return best[2], best[3]


def _fits(code: Ints, when: Ints, km: Floats, place: int, guess: float) -> bool:
    """Whether a value lies between its neighbours at a possible pace; one neighbour at least is needed."""
    neighbours = 0
    for other in (place - 1, place + 1):
        if not 0 <= other < len(km) or code[other] != code[place]:
            continue
        neighbours += 1
        days = max(abs(int(when[place] - when[other])), 1)
        step = (guess - float(km[other])) * (1 if other < place else -1)
        if not 0 <= step <= KM_A_DAY_MOST * days:
            return False
    return neighbours > 0


def _with_stored(
    database: Database, vehicle: Cells, day: Dates, odometer: Floats, rows: Ints
) -> tuple[Ints, Ints, Floats, Ints, Ints]:
    """Distinct meter readings of the sheet and, for its vehicles, of the store.

    Returns vehicle code, day number, km, row of the sheet (-1: stored), and how many rows say so.
    """
    frame = pd.DataFrame({"code": vehicle.codes[rows], "when": day[rows].astype(np.int64), "km": odometer[rows]})
    frame["own"] = rows
    frame["support"] = frame.groupby(["code", "km"])["own"].transform("size")
    frame = frame.drop_duplicates(["code", "when", "km"])
    keys = pd.DataFrame({"code": np.arange(len(vehicle.texts)), "vehicle": vehicle.texts})
    with incoming(database, keys, {"code": "BIGINT", "vehicle": "VARCHAR"}) as name:
        stored = database.rows(
            "SELECT i.code, date_diff('day', DATE '1970-01-01', m.on_day), m.km, -1, count(*) "  # noqa: S608
            f"FROM {name} i JOIN ("
            "SELECT vehicle, tested_on AS on_day, odometer_km AS km FROM test UNION ALL "
            "SELECT vehicle, read_on, odometer_km FROM odometer_log) m USING (vehicle) "
            "WHERE m.km IS NOT NULL GROUP BY ALL"
        )
    if stored:
        more = pd.DataFrame(stored, columns=list(frame.columns)).astype(dict(frame.dtypes))
        frame = pd.concat([frame, more]).drop_duplicates(["code", "when", "km"])
    return (
        frame["code"].to_numpy(dtype=np.int64),
        frame["when"].to_numpy(dtype=np.int64),
        frame["km"].to_numpy(dtype=np.float64),
        frame["own"].to_numpy(dtype=np.int64),
        frame["support"].to_numpy(dtype=np.int64),
    )


def _date(day: int) -> str:
    return str(np.datetime64(int(day), "D"))
