"""The fleet as a plan sees it: every vehicle's visits ahead, and what the forecasts say of each of its parts."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from typing import Any

from pipelines.steps.failure_facts import KindFailures
from pipelines.steps.part_seats import kind_of
from pipelines.steps.parts import lead_days
from wearlab.config import Settings
from wearlab.language import _
from wearlab.lives.usage import Usage
from wearlab.plan.crossing_law import CrossingLaw
from wearlab.plan.fleet import Frame, Kind, PlanPart, PlanVehicle, Visit
from wearlab.records import PUMP, SET, NoAnswer, State
from wearlab.store.database import Database

#: days from today on which a vehicle could be called in, where something may pass its limit before its next visit:
#: within a week, and after one and two months (a choice, no source); and as soon as its parts can be there
CALL_IN = (7, 30, 60)
#: a vehicle is not called in so few days before or after a visit in the diary
NEAR = 10
#: a depot of vehicles whose sheet names none
NO_DEPOT = "no depot"

#: by family and kind
Lives = Mapping[tuple[str, str], float]
Failures = Mapping[tuple[str, str], KindFailures]


@dataclass(frozen=True, slots=True)
class PlanFleet:
    """Vehicles to plan, those that are not with the reason, the days that are in the diary, and the newest tests."""

    vehicles: tuple[PlanVehicle, ...]
    left_out: tuple[tuple[str, str], ...]
    diary: frozenset[tuple[str, date]]
    last_test: Mapping[str, date]
    retest_by: Mapping[str, date]


def plan_fleet(
    db: Database,
    settings: Settings,
    frame: Frame,
    register: Sequence[dict[str, Any]],
    forecasts: Sequence[dict[str, Any]],
    paces: Mapping[str, Usage | NoAnswer],
    lives: Lives,
    failures: Failures,
) -> PlanFleet:
    """Gather the fleet; `forecasts` are rows of one run as of the frame's day."""
    today = frame.as_of
    rows: dict[str, dict[str, list[dict[str, Any]]]] = defaultdict(lambda: defaultdict(list))
    for row in forecasts:
        rows[row["vehicle"]][row["position"]].append(row)
    diary: dict[str, list[date]] = defaultdict(list)
    for vehicle, day in db.rows(
        "SELECT DISTINCT vehicle, planned_on FROM planned_visit WHERE planned_on >= ? ORDER BY ALL", [today]
    ):
        diary[vehicle].append(day)
    seats = _seats(db, today)
    found, left_out = [], []
    last_test, retest_by = {}, {}
    for line in register:
        name, own = line["vehicle"], rows.get(line["vehicle"], {})
        every = [row for told in own.values() for row in told]
        tested = [row["last_test"] for row in every if row["last_test"] is not None]
        if tested:
            last_test[name] = max(tested)
        asked = [row["retest_by"] for row in every if row["retest_by"] is not None]
        if asked:
            retest_by[name] = min(asked)
        reason = _why_not(line, today, paces.get(name))
        if reason:
            left_out.append((name, reason))
            continue
        pace = paces[name]
        assert isinstance(pace, Usage)  # _why_not has asked
        desk = _Vehicle(settings, frame, line, pace, seats.get(name, {}), own, lives, failures)
        made = desk.made(diary.get(name, []), last_test.get(name))
        if all(part.law is None for part in made.parts):
            left_out.append((name, _silent(every)))
            continue
        found.append(made)
    days = frozenset((vehicle, day) for vehicle, own_days in diary.items() for day in own_days)
    return PlanFleet(tuple(found), tuple(left_out), days, last_test, retest_by)


@dataclass(frozen=True, slots=True)
class _Vehicle:
    """One vehicle: its line of the register, pace, part numbers by position, and forecasts by position."""

    settings: Settings
    frame: Frame
    line: dict[str, Any]
    pace: Usage
    seats: Mapping[str, str | None]
    rows: Mapping[str, list[dict[str, Any]]]
    lives: Lives
    failures: Failures

    def made(self, diary: Sequence[date], last_test: date | None) -> PlanVehicle:
        """The vehicle as the plan takes it."""
        parts = tuple(self._part(position) for position in self._positions())
        return PlanVehicle(
            name=self.line["vehicle"],
            family=self.line["family"],
            depot=self.line["depot"] or NO_DEPOT,
            km_a_day=self.pace.km_per_day,
            parts=parts,
            visits=self._visits(diary, last_test, parts),
            leaves_on=self.line["leaves_on"],
        )

    def _positions(self) -> list[str]:
        told = {position for position in (*self.seats, *self.rows) if position == PUMP or position.isdecimal()}
        return sorted(told, key=lambda position: (position == PUMP, int(position) if position.isdecimal() else 0))

    def _part(self, position: str) -> PlanPart:
        kind: Kind = "pump" if position == PUMP else "injector"
        family, today = self.line["family"], self.frame.as_of
        laws = [
            (law, row) for row in self.rows.get(position, []) if (law := CrossingLaw.of(row.get, today)) is not None
        ]
        # of several limits the part is dealt with by the one it is likeliest to pass within the plan
        end = self.frame.start(self.frame.months)
        law, row = max(laws, key=lambda pair: pair[0].chance_by(end), default=(None, dict[str, Any]()))
        failing = self.failures.get((family, kind))
        rate = None if failing is None else failing.used.beyond
        number = kind_of(self.settings, self.seats.get(position), family, position).number
        return PlanPart(
            position=position,
            kind=kind,
            law=law,
            past=row.get("state") == State.PAST_LIMIT,
            next_reading_past=row.get("next_reading_past"),
            reading_day=row.get("next_visit") or self._usual(row.get("last_test")),
            agreement=_agreement(row),
            warranty_until=self.line["warranty_until"],
            life_km=self.lives.get((family, kind)),
            lead_days=lead_days(self.settings, number) or 0,
            failure_rate=rate,
            failure_cost=None if failing is None else failing.cost,
        )

    def _usual(self, last_test: date | None) -> date | None:
        if last_test is None:
            return None
        return max(last_test + timedelta(days=self._every()), self.frame.as_of)

    def _every(self) -> int:
        visits = self.settings.visits
        by_km = visits.every_km / self.pace.km_per_day if visits.every_km and self.pace.km_per_day > 0 else None
        return max(int(min(visits.every_days, by_km) if by_km else visits.every_days), 7)

    def _visits(self, diary: Sequence[date], last_test: date | None, parts: Sequence[PlanPart]) -> tuple[Visit, ...]:
        """Visits in the diary, after them or without them the usual ones, and days to be called in on."""
        today, end = self.frame.as_of, self.frame.start(self.frame.months)
        every = timedelta(days=self._every())
        planned = list(diary)
        turn = planned[-1] if planned else max(last_test or today, today - every)
        while turn <= end:  # one beyond the end says what may happen until then
            turn += every
            planned.append(max(turn, today + timedelta(days=NEAR)))
        called: list[date] = []
        if any(self._moved(part) for part in parts):
            lead = max((part.lead_days for part in parts if self._moved(part)), default=0)
            for days in sorted({*CALL_IN, lead + 1}):
                day = _working(today + timedelta(days=days))
                if day < end and all(abs((day - other).days) > NEAR for other in (*planned, *called)):
                    called.append(day)
        extra = self.settings.plan.call_in_cost or 0.0
        return tuple(
            sorted(
                (*(Visit(day) for day in planned), *(Visit(day, planned=False, extra_cost=extra) for day in called)),
                key=lambda visit: visit.day,
            )
        )

    def _moved(self, part: PlanPart) -> bool:
        end = self.frame.start(self.frame.months)
        return part.past or (part.law is not None and part.law.chance_by(end) >= self.frame.watch_chance)


def _seats(db: Database, day: date) -> dict[str, dict[str, str | None]]:
    """Part number by vehicle and position, of the parts fitted at the end of a day."""
    found: dict[str, dict[str, str | None]] = defaultdict(dict)
    for vehicle, position, number in db.rows(
        "SELECT vehicle, position, last(part_number ORDER BY from_order) FROM fitment "
        "WHERE from_date <= ? AND (to_date IS NULL OR to_date > ?) AND position <> ? GROUP BY ALL ORDER BY ALL",
        [day, day, SET],
    ):
        found[vehicle][position] = number
    return found


def _why_not(line: dict[str, Any], today: date, pace: Usage | NoAnswer | None) -> str | None:
    """Why a vehicle is not planned, None if it is."""
    leaves_on = line["leaves_on"]
    if leaves_on is not None and leaves_on <= today:
        return _("left the fleet on {day}", day=leaves_on)
    if line["family"] is None:
        return _("its family is not known: a register line with its family would do")
    if pace is None or isinstance(pace, NoAnswer):
        return pace.reason if isinstance(pace, NoAnswer) else _("no odometer was recorded")
    return None


def _silent(rows: Sequence[dict[str, Any]]) -> str:
    """Why no part of a vehicle has a forecast."""
    if not rows:
        return _("there is no test of it")
    told = [row["no_answer"] for row in rows if row["no_answer"]]
    return str(told[0]) if told else _("no limit covers its tests")


def _agreement(row: Mapping[str, Any]) -> float | None:
    """The share of a next reading's spread that is the level's own, None where it is not told."""
    ends = [row.get(name) for name in ("level_low", "level_high", "next_low", "next_high")]
    if any(end is None for end in ends):
        return None
    low, high, next_low, next_high = (float(end) for end in ends if end is not None)
    if not next_high - next_low > 0:
        return None
    return float(min(max((high - low) / (next_high - next_low), 0.0), 1.0))


def _working(day: date) -> date:
    """The day, or the Monday after it at a weekend."""
    return day + timedelta(days=(7 - day.weekday()) % 7 if day.weekday() > 4 else 0)
