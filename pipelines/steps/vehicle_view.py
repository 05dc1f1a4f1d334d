"""One vehicle's view for terminal and page: identity, usage, last test judged, parts, visits, series."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from typing import Any

from pipelines.steps.chart_series import chart_series
from pipelines.steps.judge import judge_visit
from pipelines.steps.lives import MeterHistory
from pipelines.steps.part_states import PartKey, doubtful, latest_states, part_state
from pipelines.steps.series import LifeSeries
from pipelines.steps.visit import AS_RECORDED, family_facts, test_dates
from pipelines.steps.wear_told import WearTold
from pipelines.steps.works import work_words as kind_words
from wearlab.charts.series import Mark, VehicleHistory
from wearlab.charts.words import measure_words
from wearlab.config import Settings
from wearlab.language import _, listed, localised, msg
from wearlab.lives.usage import Usage
from wearlab.pack.order import worst
from wearlab.pack.view import (
    JudgedSet,
    JudgedTest,
    PartRow,
    PartState,
    SetReading,
    VehicleView,
    Verdict,
    VisitRow,
)
from wearlab.records import NoAnswer
from wearlab.store.database import Database
from wearlab.store.queries import tests as test_rows
from wearlab.store.queries import work as work_rows
from wearlab.study.facts import AsTested
from wearlab.study.judgement import Judgement, condition_pairs
from wearlab.study.limit_results import short

#: places of work that have no number, for those who translate them
PLACES = (msg("pump"), msg("set"))


@dataclass(frozen=True, slots=True)
class FleetFacts:
    """What every vehicle's view needs of the fleet: settings, limit versions, meters, usage, forecasts, series."""

    settings: Settings
    versions: dict[tuple[str, date | None], int]
    meters: dict[str, MeterHistory]
    usage: dict[str, Usage | NoAnswer]
    forecasts: dict[str, list[dict[str, Any]]]
    series: dict[str, list[LifeSeries]]
    wear: WearTold
    run: int
    as_of: date


def vehicle_states(
    fleet: FleetFacts, name: str, newest: Mapping[PartKey, dict[str, Any]] | None = None
) -> tuple[PartState, ...]:
    """The states of a vehicle's parts; `newest` are the `latest_states` of the fleet where they are at hand."""
    known = latest_states(fleet.wear) if newest is None else newest
    return tuple(
        part_state(item, fleet.settings, known.get((item["part"], item["measure"], item["protocol"])))
        for item in fleet.forecasts.get(name, [])
    )


def vehicle_line(row: dict[str, Any], states: tuple[PartState, ...], tested_on: date | None) -> VehicleView:
    """The view of a vehicle that has no page of its own: its line of the register query, states, and last test."""
    pressing = worst(states)
    return VehicleView(
        vehicle=row["vehicle"],
        family=row["family"] or "",
        depot=row["depot"] or "",
        worst_state=pressing.state if pressing else None,
        last_test=JudgedTest(tested_on) if tested_on else None,
        states=states,
    )


def vehicle_view(
    db: Database, fleet: FleetFacts, row: dict[str, Any], states: tuple[PartState, ...] | None = None
) -> VehicleView:
    """Build the view of one vehicle; `row` is its line of the register query, `states` are its `vehicle_states`."""
    name = row["vehicle"]
    tests = test_rows(db, name, fleet.as_of)
    works = work_rows(db, vehicle=name, until=fleet.as_of)
    forecasts = fleet.forecasts.get(name, [])
    usage = fleet.usage.get(name, NoAnswer(_("no odometer was recorded")))
    driven = usage if isinstance(usage, Usage) else None
    notes = [] if isinstance(usage, Usage) else [usage.reason]
    if name in fleet.meters:
        notes += list(fleet.meters[name].distance.notes)
    states = vehicle_states(fleet, name) if states is None else states
    pressing = worst(states)
    days = test_dates(db, name, fleet.as_of)
    judged = judge_visit(db, fleet.settings, fleet.versions, row, days[-1], tests) if days else None
    facts = family_facts(fleet.settings, row)
    return VehicleView(
        vehicle=name,
        family=row["family"] or "",
        depot=row["depot"] or "",
        cylinders=facts.cylinders,
        duty=row["duty"] or "",
        fuel_supply=row["fuel_supply"] or "",
        in_service=row["in_service"],
        warranty_until=row["warranty_until"],
        leaves_on=row["leaves_on"],
        aliases=_spellings(tests, name),
        km_per_day=driven.km_per_day if driven else None,
        km_per_day_low=driven.km_per_day_low if driven else None,
        km_per_day_high=driven.km_per_day_high if driven else None,
        odometer_now_km=odometer_now(fleet, name),
        usage_notes=tuple(notes),
        worst_state=pressing.state if pressing else None,
        last_test=judged_test(judged) if judged else None,
        states=states,
        doubts=doubtful(fleet.series.get(name, []), fleet.wear),
        parts=_parts(db, name, fleet.as_of),
        visits=_visits(db, tests, works, fleet.as_of, name),
        history=_history(fleet, name, works, forecasts),
        unsaid=tuple(
            f"{state.position}, {measure_words(state.measure)}, {state.protocol}: {state.no_answer}"
            for state in states
            if state.no_answer
        ),
    )


def odometer_now(fleet: FleetFacts, name: str) -> float | None:
    """What the meter should show on the as-of date, by the vehicle's own usage."""
    usage = fleet.usage.get(name)
    if not isinstance(usage, Usage):
        return None
    return fleet.meters[name].distance.shown(usage.distance_now_km)


def judged_test(found: Judgement) -> JudgedTest:
    """A judgement as the page shows it."""
    sets = tuple(
        JudgedSet(
            measure=test.measure,
            protocol=test.protocol,
            unit=test.comparison.unit,
            readings=tuple(
                SetReading(
                    position=row.position,
                    level=row.level,
                    part=row.part or "",
                    bound=row.bound,
                    resolution=row.resolution,
                    of_median=row.of_median,
                    stands_out=row.remark,
                    quality=row.doubt or "good",
                )
                for row in test.comparison.rows
            ),
            median=test.comparison.median,
            conditions=test.conditions,
        )
        for test in found.tests
    )
    verdicts = tuple(
        Verdict(
            rule=result.rule,
            outcome=result.outcome,
            sentence=result.sentence,
            position=result.position,
            limit_version=result.version,
            source=result.source,
        )
        for test in found.tests
        for result in short(test.limits)
    )
    return JudgedTest(
        tested_on=found.tested_on,
        odometer_km=found.odometer_km,
        sets=sets,
        verdicts=verdicts,
        weaknesses=tuple(dict.fromkeys(weak.sentence for weak in found.weaknesses)),
        diagnosis=found.headline,
        evidence=tuple(dict.fromkeys(line for finding in found.findings for line in finding.evidence)),
        next_test=" ".join(found.next_steps[:2]),
        cautions=found.cautions,
    )


def _spellings(tests: Sequence[dict[str, Any]], name: str) -> tuple[str, ...]:
    return tuple(dict.fromkeys(t["vehicle_text"] for t in tests if t["vehicle_text"] != name))


def _parts(db: Database, name: str, as_of: date) -> tuple[PartRow, ...]:
    rows = db.records(
        "SELECT position, part, from_date, to_date, start, serial, part_number FROM fitment "
        "WHERE vehicle = ? AND from_date <= ? ORDER BY position = 'pump', len(position), position, from_order",
        [name, as_of],
    )
    return tuple(PartRow(**row) for row in rows)


def _visits(
    db: Database, tests: Sequence[dict[str, Any]], works: Sequence[dict[str, Any]], as_of: date, name: str
) -> tuple[VisitRow, ...]:
    values: dict[str, list[str]] = {}
    for test_id, figures, unit in db.rows(
        """
        SELECT test_id, string_agg(CASE bound WHEN 'at_least' THEN '>=' WHEN 'at_most' THEN '<=' ELSE '' END
               || format('{:.4g}', value), ' ' ORDER BY len(position), position, repeat), any_value(unit)
        FROM reading WHERE vehicle = ? AND tested_on <= ? GROUP BY test_id
        """,
        [name, as_of],
    ):
        values.setdefault(test_id, []).append(f"{localised(figures)} {unit}")
    days: dict[date, dict[str, list[Any]]] = {}
    for test in tests:
        slot = days.setdefault(test["tested_on"], {"tests": [], "work": []})
        slot["tests"].append(test)
    for item in works:
        days.setdefault(item["done_on"], {"tests": [], "work": []})["work"].append(item)
    return tuple(_visit(on, slot["tests"], slot["work"], values) for on, slot in sorted(days.items(), reverse=True))


def _visit(
    on: date, tests: list[dict[str, Any]], works: list[dict[str, Any]], values: dict[str, list[str]]
) -> VisitRow:
    def told(name: str) -> str:
        return "; ".join(dict.fromkeys(str(test[name]) for test in tests if test[name]))

    shown = [test["odometer_km"] for test in tests if test["odometer_km"] is not None]
    shown += [item["odometer_km"] for item in works if item["odometer_km"] is not None]
    return VisitRow(
        day=on,
        odometer_km=shown[0] if shown else None,
        reason=told("reason"),
        complaint=told("complaint"),
        fault_codes=told("fault_codes"),
        tests=tuple(
            f"{measure_words(test['measure'])}, {test['protocol']}: {', '.join(values.get(test['test_id'], []))}"
            for test in tests
        ),
        conditions=tuple(conditions_of(test) for test in tests),
        work=tuple(work_words(item) for item in works),
        note=told("note"),
        source=source_words([*tests, *works]),
    )


def source_words(rows: Sequence[dict[str, Any]]) -> str:
    """The rows of each file: "lake.csv:298, 304"; what was entered by hand has none."""
    found: dict[str, dict[str, None]] = {}
    for row in rows:
        numbers = found.setdefault(row["file"], {})
        if row["row_no"] is not None:
            numbers[str(row["row_no"])] = None
    return "; ".join(f"{file}:{', '.join(numbers)}" if numbers else file for file, numbers in found.items())


def conditions_of(test: dict[str, Any]) -> tuple[str, tuple[tuple[str, str], ...]]:
    """What a test was, and what its sheet recorded of how it was made."""
    told = condition_pairs(AsTested(**{name: test[name] for name in AS_RECORDED if name != "note"}))
    return f"{measure_words(test['measure'])}, {test['protocol']}", told


def work_words(item: dict[str, Any]) -> str:
    """One piece of work as a few words: "replacement 3 (new)", "swap 1 and 3"."""
    kind = kind_words(item["kind"])
    where = listed([_(text) for text in (item["position"], item["position_to"]) if text])
    origin = f" ({_(str(item['origin']))})" if item["origin"] else ""
    note = f": {item['note']}" if item["note"] else ""
    return f"{kind} {where}".strip() + origin + note


def _history(
    fleet: FleetFacts, name: str, works: Sequence[dict[str, Any]], forecasts: Sequence[dict[str, Any]]
) -> VehicleHistory | None:
    found = fleet.series.get(name, [])
    if not found:
        return None
    meter = fleet.meters.get(name)
    usage = fleet.usage.get(name)
    calendar: list[tuple[date, float]] = []
    if meter is not None:
        known = [
            (on, float(km))
            for on, km in zip(meter.days, meter.distance.distance_km, strict=True)
            if km == km and on <= fleet.as_of
        ]
        calendar = known[:: max(1, len(known) // 24)]
    if isinstance(usage, Usage):
        calendar.append((fleet.as_of, usage.distance_now_km))
        ahead = usage.distance_now_km + 365 * usage.km_per_day
        calendar.append((date.fromordinal(fleet.as_of.toordinal() + 365), ahead))
    marks = []
    for item in works:
        distance = meter.distance.at(item["done_on"]) if meter is not None else float("nan")
        marks.append(
            Mark(
                item["done_on"],
                work_words({**item, "note": None}),
                None if distance != distance else distance,
            )
        )
    return VehicleHistory(
        vehicle=name,
        as_of=fleet.as_of,
        series=chart_series(found, forecasts, fleet.settings, fleet.wear),
        marks=tuple(marks),
        calendar=tuple(calendar),
    )
