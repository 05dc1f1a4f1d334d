"""What was loaded, what was set aside and why, what is still asked, and which readings count for little."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from typing import Any

from pipelines.steps.vehicle_view import FleetFacts
from pipelines.steps.wear_told import GROSS_BELOW
from wearlab.language import _, _n, msg, number
from wearlab.pack.fleet_page import DataQuality, LeftOut, RemarkCount
from wearlab.pack.view import FileRow, OpenQuestion
from wearlab.store.database import Database
from wearlab.store.queries import files, open_questions

_LEVELS = {"row": msg("row set aside"), "cell": msg("cell set aside"), "flag": msg("flagged")}


def data_quality(db: Database, fleet: FleetFacts) -> DataQuality:
    """Return the account of the sheets and of the readings of a run."""
    rows = tuple(
        FileRow(
            file=item["file"],
            rows_read=item["rows_read"],
            accepted=item["accepted"],
            flagged=item["flagged"],
            set_aside=item["set_aside"],
            structure=item["structure"],
            cells_set_aside=item["cells_set_aside"],
            readings=item["readings"],
            layout=item["layout"],
            loaded_on=item["loaded_at"].date(),
        )
        for item in files(db)
    )
    questions = tuple(OpenQuestion(item["sentence"], int(item["readings"])) for item in open_questions(db))
    left = left_out(db, fleet)
    return DataQuality(_sentence(rows, questions, left), rows, remarks(db), questions, left)


def remarks(db: Database) -> tuple[RemarkCount, ...]:
    """Return why rows and cells were set aside or flagged, the heaviest and most frequent first."""
    found = db.records(
        """
        SELECT m.code, m.level, count(*) AS n, count(DISTINCT m.file_id) AS files,
               arg_min(m.sentence, (m.file_id, m.row_no, coalesce(m.col_no, 0))) AS example,
               arg_min(f.name || coalesce(', ' || m.sheet, ''), (m.file_id, m.row_no, coalesce(m.col_no, 0))) AS source,
               arg_min(m.row_no, (m.file_id, m.row_no, coalesce(m.col_no, 0))) AS row_no
        FROM remark m JOIN source_file f USING (file_id) WHERE m.level IN ('row', 'cell', 'flag')
        GROUP BY m.code, m.level
        ORDER BY CASE m.level WHEN 'row' THEN 0 WHEN 'cell' THEN 1 ELSE 2 END, n DESC, m.code
        """
    )
    return tuple(map(_remark, found))


def _remark(row: dict[str, Any]) -> RemarkCount:
    level = _LEVELS[row["level"]]
    source = _("{file}, row {row}", file=row["source"], row=row["row_no"])
    return RemarkCount(row["code"], _(level), int(row["n"]), int(row["files"]), row["example"], source)


def left_out(db: Database, fleet: FleetFacts) -> tuple[LeftOut, ...]:
    """Return how many readings of each measure and protocol have no or little part in the levels."""
    count: dict[tuple[str, str], dict[str, int]] = defaultdict(lambda: defaultdict(int))
    for measure, protocol, readings, doubted in db.rows(
        "SELECT measure, protocol, count(*), count(*) FILTER (quality <> 'good') FROM reading "
        "WHERE tested_on <= ? GROUP BY ALL",
        [fleet.as_of],
    ):
        count[measure, protocol] |= {"readings": int(readings), "doubted": int(doubted)}
    for measure, protocol, outside, beyond in db.rows(
        "SELECT measure, protocol, sum(outside), sum(beyond) FROM part_state WHERE run_id = ? GROUP BY ALL",
        [fleet.run],
    ):
        count[measure, protocol] |= {"outside": int(outside), "beyond": int(beyond)}
    for measure, protocol, gross in db.rows(
        "SELECT measure, protocol, count(*) FROM wear_gross WHERE run_id = ? AND weight < ? GROUP BY ALL",
        [fleet.run, GROSS_BELOW],
    ):
        count[measure, protocol]["gross"] = int(gross)
    return tuple(
        LeftOut(measure, protocol, *(told[name] for name in ("readings", "outside", "beyond", "gross", "doubted")))
        for (measure, protocol), told in sorted(count.items())
        if any(told[name] for name in ("outside", "beyond", "gross", "doubted"))
    )


def _sentence(rows: Sequence[FileRow], questions: Sequence[OpenQuestion], left: Sequence[LeftOut]) -> str:
    read, aside = sum(row.rows_read for row in rows), sum(row.set_aside for row in rows)
    cells, readings = sum(row.cells_set_aside for row in rows), sum(row.readings for row in rows)
    outside = sum(one.outside for one in left)
    places = {
        "files": number(len(rows)),
        "rows": number(read),
        "readings": number(readings),
        "rows_aside": number(aside),
        "cells_aside": number(cells),
        "outside": number(outside),
    }
    if not questions:
        return _(
            "{files} files with {rows} rows gave {readings} readings; {rows_aside} rows and {cells_aside} cells were "
            "set aside, {outside} readings lie outside the range of correction, and no question is open.",
            **places,
        )
    return _n(
        "{files} files with {rows} rows gave {readings} readings; {rows_aside} rows and {cells_aside} cells were set "
        "aside, {outside} readings lie outside the range of correction, and {n} open questions hold back {waiting} "
        "readings.",
        "{files} files with {rows} rows gave {readings} readings; {rows_aside} rows and {cells_aside} cells were set "
        "aside, {outside} readings lie outside the range of correction, and {n} open questions hold back {waiting} "
        "readings.",
        len(questions),
        waiting=number(sum(one.readings for one in questions)),
        **places,
    )
