"""Repeat numbers of readings within one visit, over the whole workspace."""

from __future__ import annotations

import numpy as np
import pandas as pd

from pipelines.sheets.cells import Cells, Ints, combine, distinct
from pipelines.sheets.dates import Dates
from pipelines.sheets.earlier import EARLIER
from pipelines.sheets.incoming import INCOMING, incoming
from pipelines.sheets.readings import MEASURES, Readings
from wearlab.store.database import Database


def number_repeats(
    readings: Readings, protocol: Cells, vehicle: Cells, day: Dates, place: Ints, database: Database
) -> Ints:
    """Return a repeat number from 1 for the readings at `place`.

    A visit is a vehicle and a date. A number that the sheet states is kept unless the visit has it already;
    all others get the first number that is free, in the order of the rows. Where a row holds a whole set, its
    cells share one number: the first that is free for all of them.
    """
    row = readings.row[place]
    keys: list[Ints] = [vehicle.codes[row], day[row].astype(np.int64), readings.measure[place]]
    keys.append(protocol.codes[place])
    visit = combine(keys, len(place))
    group = combine([visit, readings.position.codes[place]], len(place))
    stated = readings.stated_repeat[place]
    taken = _taken(readings, protocol, vehicle, day, place, group, database)
    wide = readings.table.one("position") is None
    order = np.lexsort((place, row))
    repeat = np.ones(len(place), dtype=np.int64)
    if not taken:
        if stated.any():
            pairs = combine([group, stated], len(place))
            if (stated > 0).all() and int(pairs.max()) + 1 == len(pairs):  # as many codes as readings
                return stated
        elif not wide:
            repeat[order] = pd.Series(group[order]).groupby(group[order]).cumcount().to_numpy() + 1
            return repeat
    # most visits have one row and are done; the others are numbered one by one
    several = (np.bincount(group)[group] > 1) | (stated > 0) | np.isin(group, list(taken))
    busy = np.isin(visit, distinct(visit[several]))
    units: dict[tuple[int, int], list[int]] = {}
    for index in order[busy[order]].tolist():
        alone = not wide or stated[index] > 0
        units.setdefault((index, -1) if alone else (int(row[index]), int(visit[index])), []).append(index)
    clashes = [
        index
        for (_, own), members in units.items()
        if own == -1
        for index in members
        if stated[index] > 0 and not _claim(taken, int(group[index]), int(stated[index]), repeat, index)
    ]
    lost = set(clashes)
    for members in units.values():
        waiting = [index for index in members if stated[index] == 0 or index in lost]
        number = 1
        while any(number in taken.get(int(group[index]), ()) for index in waiting):
            number += 1
        for index in waiting:
            # two columns of one row may hold the same cylinder twice
            free = number
            while not _claim(taken, int(group[index]), free, repeat, index):
                free += 1
    where = np.zeros(len(readings), dtype=np.bool_)
    where[place[clashes]] = True
    readings.doubt("repeat_renumbered", where, [str(int(one)) for one in readings.stated_repeat[where]])
    return repeat


def _claim(taken: dict[int, set[int]], code: int, number: int, repeat: Ints, index: int) -> bool:
    """Give a reading a number if its group has it free."""
    used = taken.setdefault(code, set())
    if number in used:
        return False
    used.add(number)
    repeat[index] = number
    return True


def _taken(
    readings: Readings,
    protocol: Cells,
    vehicle: Cells,
    day: Dates,
    place: Ints,
    group: Ints,
    database: Database,
) -> dict[int, set[int]]:
    """Repeat numbers that the store already holds, by group."""
    if not len(place) or not database.value("SELECT 1 FROM reading LIMIT 1"):
        return {}
    codes, first = np.unique(group, return_index=True)
    head = place[first]
    row = readings.row[head]
    frame = pd.DataFrame({"code": codes})
    frame["vehicle"] = vehicle.at(row).objects()
    frame["tested_on"] = day[row].astype("datetime64[s]")
    frame["measure"] = [MEASURES[one].value for one in readings.measure[head]]
    frame["protocol"] = protocol.at(head).objects()
    frame["position"] = readings.position.at(head).objects()
    columns = {"code": "BIGINT", "vehicle": "VARCHAR", "tested_on": "DATE", "measure": "VARCHAR"}
    columns |= {"protocol": "VARCHAR", "position": "VARCHAR"}
    with incoming(database, frame, columns):
        found = database.rows(
            f"SELECT i.code, r.repeat FROM {INCOMING} i JOIN reading r USING "  # noqa: S608  (names of our own)
            f"(vehicle, tested_on, measure, protocol, position) JOIN {EARLIER} e ON e.file_id = r.file_id"
        )
    taken: dict[int, set[int]] = {}
    for code, number in found:
        taken.setdefault(int(code), set()).add(int(number))
    return taken
