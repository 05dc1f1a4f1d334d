"""Wear of every family and depot over the months, from the paths that a run left of every life."""

from __future__ import annotations

from calendar import monthrange
from collections import Counter, defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pipelines.steps.vehicle_view import FleetFacts
from wearlab.charts.fleet_series import Spread, WearCohort, WearMonth
from wearlab.charts.series import Limit
from wearlab.charts.wear_months import rates_words
from wearlab.charts.words import level_words, levels_words, measure_words, month_words
from wearlab.config import Settings
from wearlab.language import _, number
from wearlab.lives.usage import Usage
from wearlab.pack.fleet_page import WearSection
from wearlab.store.database import Database
from wearlab.store.queries import vehicles
from wearlab.study.life_months import life_months

Floats = NDArray[np.float64]

#: months shown at most, the newest
MONTHS = 60
#: fewest parts that tell quantiles, and that make a section (judgement, no source)
QUANTILE_PARTS = 5


@dataclass(frozen=True, slots=True, eq=False)
class LifeLine:
    """One life's level and rate by month (M,), NaN where not told, with its family, depot and units."""

    family: str
    depot: str
    rate_unit: str
    reference: str
    level: Floats
    rate: Floats


def month_ends(first: date, as_of: date, most: int = MONTHS) -> list[tuple[date, date]]:
    """Return the first and the last day of each month from that of `first` on; the last one ends at `as_of`."""
    begin = max(first.year * 12 + first.month - 1, as_of.year * 12 + as_of.month - most)
    found = []
    for turn in range(begin, as_of.year * 12 + as_of.month):
        year, month = turn // 12, turn % 12 + 1
        end = date(year, month, monthrange(year, month)[1])
        found.append((date(year, month, 1), min(end, as_of)))
    return found


def wear_sections(db: Database, fleet: FleetFacts) -> tuple[tuple[WearSection, ...], tuple[str, ...]]:
    """Return a section for each measure, protocol and family with enough parts, and what is not told and why."""
    register = {row["vehicle"]: row for row in vehicles(db, fleet.as_of)}
    fitted = _fitted_until(db)
    groups = db.records(
        "SELECT measure, protocol, unit, scale, scale_note FROM wear_group WHERE run_id = ? ORDER BY ALL", [fleet.run]
    )
    sections: list[WearSection] = []
    unsaid: list[str] = []
    for group in groups:
        measure, protocol = group["measure"], group["protocol"]
        name = f"{measure_words(measure)}, {protocol}"
        paths = {key: path for key, path in fleet.wear.paths.items() if key[2:] == (measure, protocol)}
        if not paths:
            why = group["scale_note"] or _("no part has a level")
            unsaid.append(f"{name}: {why}.")
            continue
        months = month_ends(min(path[0]["tested_on"] for path in paths.values()), fleet.as_of)
        lines = [
            line
            for key, path in paths.items()
            if (line := _line(fleet, register, fitted, fleet.wear.states.get(key), path, months)) is not None
        ]
        for family in sorted({line.family for line in lines}):
            own = [line for line in lines if line.family == family]
            section = _section(fleet, register, group, family, own, months)
            if section is None:
                unsaid.append(
                    _(
                        "{test}, {family}: fewer than {n} parts have a level now, too few to show.",
                        test=name,
                        family=family or _("no family"),
                        n=number(QUANTILE_PARTS),
                    )
                )
            else:
                sections.append(section)
    return tuple(sections), tuple(unsaid)


def wear_notes(settings: Settings) -> tuple[str, ...]:
    """Return how levels and rates by month are read, one sentence each."""
    return (
        _(
            "Between two tests a level is read along the line between them; after the last one it rises with the "
            "part's own rate until the part is taken out, {days} days at most.",
            days=number(settings.horizons.stale_days),
        ),
        _(
            "A rate is the net one of the year before: the rise of the level over the distance driven, cleanings "
            "included."
        ),
        _(
            "A part counts with the family and depot of the vehicle it was last tested on, as registered now; a median "
            "also moves when parts come in new or go."
        ),
    )


def _fitted_until(db: Database) -> dict[tuple[str, int], date | None]:
    """The day each life ended, None while it is fitted somewhere."""
    rows = db.rows(
        "SELECT part, life, CASE WHEN bool_or(to_date IS NULL) THEN NULL ELSE max(to_date) END FROM fitment "
        "GROUP BY part, life"
    )
    return {(str(part), int(life)): until for part, life, until in rows}


def _line(
    fleet: FleetFacts,
    register: dict[str, dict[str, Any]],
    fitted: dict[tuple[str, int], date | None],
    state: dict[str, Any] | None,
    path: Sequence[dict[str, Any]],
    months: Sequence[tuple[date, date]],
) -> LifeLine | None:
    """One life by month; None without a state or a distance."""
    known = {
        row["tested_on"]: row for row in path if row["level"] is not None and row["exposure_km"] is not None
    }  # the last of a day stands for it
    if state is None or not known:
        return None
    days = sorted(known)
    usage = fleet.usage.get(state["vehicle"])
    until = days[-1].toordinal() + fleet.settings.horizons.stale_days
    gone = fitted.get((path[0]["part"], path[0]["life"]))
    if gone is not None:
        until = min(until, gone.toordinal() - 1)
    level, rate = life_months(
        [day.toordinal() for day in days],
        [known[day]["exposure_km"] for day in days],
        [known[day]["level"] for day in days],
        [end.toordinal() for _, end in months],
        until=until,
        rate=state["rate"],
        km_a_day=usage.km_per_day if isinstance(usage, Usage) else None,
    )
    row = register.get(state["vehicle"], {})
    return LifeLine(
        row.get("family") or "", row.get("depot") or "", state["rate_unit"], state["reference"], level, rate
    )


def _section(
    fleet: FleetFacts, register: dict[str, dict[str, Any]], group: dict[str, Any], family: str,
    lines: Sequence[LifeLine], months: Sequence[tuple[date, date]],
) -> WearSection | None:  # fmt: skip
    limit, note = _limit(fleet, register, group, family)
    reference, others = _usual(line.reference for line in lines)
    whole = _cohort(group, family, "", lines, months, limit, reference)
    if whole.parts_now < QUANTILE_PARTS:
        return None
    depots = sorted({line.depot for line in lines})
    notes = [note] if note else []
    if others:
        notes.append(
            _(
                "{others} of {lives} lives are told under other conditions than these.",
                others=number(others),
                lives=number(len(lines)),
            )
        )
    return WearSection(
        heading=f"{measure_words(group['measure'])}, {group['protocol']}: {family or _('no family')}",
        sentence=_sentence(whole),
        whole=whole,
        depots=tuple(
            _cohort(group, family, depot, [line for line in lines if line.depot == depot], months, limit, reference)
            for depot in depots
        ),
        notes=tuple(notes),
    )


def _cohort(
    group: dict[str, Any], family: str, depot: str, lines: Sequence[LifeLine], months: Sequence[tuple[date, date]],
    limit: Limit | None, reference: str,
) -> WearCohort:  # fmt: skip
    level, rate = (np.array([getattr(line, side) for line in lines]) for side in ("level", "rate"))
    return WearCohort(
        measure=group["measure"],
        protocol=group["protocol"],
        family=family,
        depot=depot,
        unit=group["unit"],
        rate_unit=lines[0].rate_unit,
        reference=reference,
        months=tuple(
            WearMonth(first, spread_of(level[:, place]), spread_of(rate[:, place]))
            for place, (first, _) in enumerate(months)
        ),
        limit=limit,
    )


def spread_of(values: Floats) -> Spread | None:
    """Return how values (n,) lie, NaN left out; quantiles from `QUANTILE_PARTS` values on, None without a value."""
    known = values[np.isfinite(values)]
    if not known.size:
        return None
    if known.size < QUANTILE_PARTS:
        return Spread(int(known.size), float(np.median(known)))
    p10, p25, p50, p75, p90 = np.quantile(known, (0.1, 0.25, 0.5, 0.75, 0.9)).tolist()
    return Spread(int(known.size), p50, p10, p25, p75, p90)


def _usual(texts: Iterable[str]) -> tuple[str, int]:
    """The most frequent text, and how many others there are."""
    counted = Counter(texts)
    text, count = min(counted.items(), key=lambda pair: (-pair[1], pair[0]))
    return text, counted.total() - count


def _limit(
    fleet: FleetFacts, register: dict[str, dict[str, Any]], group: dict[str, Any], family: str
) -> tuple[Limit | None, str]:
    """The limit that all parts of a family share in a group, and a sentence where there is no such one."""
    found: dict[str, set[tuple[float, str]]] = defaultdict(set)
    for vehicle, rows in fleet.forecasts.items():
        if (register.get(vehicle, {}).get("family") or "") != family:
            continue
        for row in rows:
            told = row["rule"] and row["limit"] is not None and row["direction"] is not None
            if told and all(row[name] == group[name] for name in ("measure", "protocol", "unit")):
                found[row["rule"]].add((float(row["limit"]), str(row["direction"])))
    shared = sorted((rule, *next(iter(values))) for rule, values in found.items() if len(values) == 1)
    if not shared:
        return None, "" if not found else _("The parts have limits of their own, so none is drawn.")
    # of several limits the one that is met first
    rule, value, direction = min(shared, key=lambda one: one[1] if one[2] == "above" else -one[1])
    return Limit(rule, value, direction), ""


def _sentence(whole: WearCohort) -> str:
    """The newest month in one sentence, and how it stood a year before."""
    told = [one for one in whole.months if one.level is not None]
    now = told[-1].level
    if now is None:
        return ""
    places = {
        "n": number(now.parts),
        "month": month_words(told[-1].month),
        "level": level_words(now.median, whole.unit),
    }
    if now.p10 is not None and now.p90 is not None:
        low, high = levels_words(now.p10, now.p90)
        text = _(
            "{n} parts in {month}: the median level is {level}, eight in ten lie between {low} and {high}",
            low=low,
            high=high,
            **places,
        )
    else:
        text = _("{n} parts in {month}: the median level is {level}", **places)
    before = whole.months[-13].level if len(whole.months) > 12 else None
    if before is not None:
        was, stands = levels_words(before.median, now.median)
        same = _("a year before it was the same")
        text += "; " + (_("a year before it was {level}", level=was) if was != stands else same)
    rate = told[-1].rate
    if rate is None:
        return f"{text}."
    of_year = _(
        "The median rate of the last year is {rate} {unit}.",
        rate=rates_words(rate.median)[0],
        unit=whole.rate_unit,
    )
    return f"{text}. {of_year}"
