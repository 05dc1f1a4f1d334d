"""The states of the run before, so that a state has a memory and a change of state a cause."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date
from typing import Any

from pipelines.steps.facts import facts_sha256
from pipelines.steps.works import work_words
from pipelines.workspace import Workspace
from wearlab import __version__
from wearlab.forecast.state_changes import StateBefore
from wearlab.language import _
from wearlab.records import State, WorkKind
from wearlab.store.database import Database

#: work that makes a part another one than the one that was forecast
_REPAIRS = (WorkKind.REPLACEMENT, WorkKind.SWAP, WorkKind.REBUILD, WorkKind.CLEANING, WorkKind.ENGINE_SWAP)

# key of any row of a part that has a rule
_ANY = "\0any"

_Row = dict[str, Any]
#: vehicle, part or position, measure, protocol, rule
_Key = tuple[str, str, str, str, str | None]


@dataclass(frozen=True, slots=True)
class StatesBefore:
    """The `rows` of the run before, by part and by position, and what changed since for all of them."""

    as_of: date | None
    by_part: dict[_Key, _Row]
    by_seat: dict[_Key, _Row]
    repairs: dict[tuple[str, str | None], str]
    factors: dict[tuple[str, str], tuple[float, float]]
    settings: bool
    facts: bool
    program: bool
    rows: tuple[_Row, ...] = ()

    def of(
        self, vehicle: str, part: str, position: str, measure: str, protocol: str, rule: str | None
    ) -> StateBefore | None:
        """Return what the run before said of a part against a rule; of its position when the part was not there.

        Where a rule came or went, the row without a rule, or with one, stands for it.
        """
        same = self._row(self.by_part, (vehicle, part or position, measure, protocol), rule)
        row = same or self._row(self.by_seat, (vehicle, position, measure, protocol), rule)
        if row is None or self.as_of is None:
            return None
        then, now = self.factors.get((measure, protocol), (1.0, 1.0))
        return StateBefore(
            state=State(row["state"]),
            as_of=self.as_of,
            last_test=row["last_test"],
            readings=row["readings"],
            rule=row["rule"],
            limit_version=row["limit_version"],
            same_part=same is not None,
            repair=self.repairs.get((vehicle, "set" if position.startswith("bank") else position))
            or self.repairs.get((vehicle, None))
            or "",
            recalibrated=abs(now - then) > 1e-9,
            settings=self.settings,
            facts=self.facts,
            program=self.program,
        )

    @staticmethod
    def _row(rows: dict[_Key, _Row], key: tuple[str, str, str, str], rule: str | None) -> _Row | None:
        found = rows.get((*key, rule))
        if found is not None:
            return found
        return rows.get((*key, None)) if rule is not None else rows.get((*key, _ANY))


def states_before(db: Database, place: Workspace, as_of: date) -> StatesBefore:
    """Return the states of the newest run of the latest earlier day."""
    found = db.records(
        "SELECT * FROM run WHERE step = 'learn' AND as_of < ? ORDER BY as_of DESC, run_id DESC LIMIT 1", [as_of]
    )
    if not found:
        return StatesBefore(None, {}, {}, {}, {}, settings=False, facts=False, program=False)
    run = found[0]
    rows = db.records(
        "SELECT vehicle, position, part, measure, protocol, rule, limit_version, state, readings, last_test "
        "FROM forecast WHERE run_id = ? ORDER BY ALL",
        [run["run_id"]],
    )
    by_part, by_seat = keyed(rows)
    return StatesBefore(
        as_of=run["as_of"],
        by_part=by_part,
        by_seat=by_seat,
        repairs=_repairs(db, run["as_of"], as_of),
        factors=_factors(db, run["run_id"]),
        settings=run["settings_sha256"] != place.settings_sha256,
        facts=run["facts_sha256"] != facts_sha256(db) or _tested(db, run["as_of"], as_of),
        program=run["version"] != __version__,
        rows=tuple(rows),
    )


def keyed(rows: Iterable[_Row]) -> tuple[dict[_Key, _Row], dict[_Key, _Row]]:
    """Return rows of forecasts, in their order, by part and by position."""
    by_part: dict[_Key, _Row] = {}
    by_seat: dict[_Key, _Row] = {}
    for row in rows:
        # a whole set or bank is no part; its position stands for it
        for found, what in ((by_part, row["part"] or row["position"]), (by_seat, row["position"])):
            found.setdefault((row["vehicle"], what, row["measure"], row["protocol"], row["rule"]), row)
            if row["rule"] is not None:
                found.setdefault((row["vehicle"], what, row["measure"], row["protocol"], _ANY), row)
    return by_part, by_seat


def _tested(db: Database, after: date, until: date) -> bool:
    """Whether anything was tested since a day: what was stored already then, but lay ahead."""
    return bool(db.value("SELECT count(*) FROM test WHERE tested_on > ? AND tested_on <= ?", [after, until]))


def _repairs(db: Database, after: date, until: date) -> dict[tuple[str, str | None], str]:
    """The last repair of each vehicle and position since a day; position None: all of the vehicle's."""
    told: dict[tuple[str, str | None], str] = {}
    for row in db.records(
        "SELECT vehicle, position, position_to, kind, done_on FROM work WHERE vehicle IS NOT NULL "
        "AND done_on > ? AND done_on <= ? AND list_contains(?, kind) ORDER BY done_on, row_no",
        [after, until, [str(kind) for kind in _REPAIRS]],
    ):
        words = _("{work} on {day}", work=work_words(row["kind"]), day=row["done_on"].isoformat())
        everything = row["kind"] == WorkKind.ENGINE_SWAP or row["position"] in (None, "set")
        for position in (None,) if everything else (row["position"], row["position_to"]):
            if everything or position is not None:
                told[row["vehicle"], position] = words
        if row["position"] != "pump":
            # whatever was fitted to one cylinder made the set another one
            told[row["vehicle"], "set"] = words
    return told


def _factors(db: Database, run: int) -> dict[tuple[str, str], tuple[float, float]]:
    """The factor of recalibration of each group: the newest when that run was made, and the newest now."""
    rows = db.rows(
        "SELECT measure, protocol, arg_max(coalesce(factor, 1.0), run_id) FILTER (WHERE run_id <= ?), "
        "arg_max(coalesce(factor, 1.0), run_id) FROM recalibration GROUP BY ALL",
        [run],
    )
    return {(row[0], row[1]): (1.0 if row[2] is None else float(row[2]), float(row[3])) for row in rows}
