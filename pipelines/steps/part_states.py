"""The state of every part of a vehicle as terminal and page show it, and the readings that are doubted."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from pipelines.steps.chart_series import doubts, life_key
from pipelines.steps.series import LifeSeries
from pipelines.steps.wear_told import WearTold
from wearlab.charts.series import GROSS, LINE, MODEL
from wearlab.charts.words import bound_words, day_words, measure_words, position_words
from wearlab.config import Settings
from wearlab.forecast.crossing import METHOD
from wearlab.language import _, number
from wearlab.pack.view import PartState
from wearlab.pack.wear_words import gross_words
from wearlab.records import LEVEL_UNIT, Measure
from wearlab.study.reading_error import doubt_words

#: columns of the forecast table that the page takes as they are
_AS_STORED = (
    "state_before", "changed", "date_p05", "date_p95", "past", "within_30", "within_90", "within_180", "within_365",
    "next_visit", "before_visit", "next_reading_past",
)  # fmt: skip

#: a part in one measure and protocol, whatever its life
PartKey = tuple[str, str, str]


def latest_states(wear: WearTold) -> dict[PartKey, dict[str, Any]]:
    """What the wear model says of the newest life of every part."""
    found: dict[PartKey, dict[str, Any]] = {}
    for (part, life, measure, protocol), row in sorted(wear.states.items()):
        del life
        found[part, measure, protocol] = row
    return found


def method_words(method: str | None) -> str:
    """The method of a forecast in words."""
    return LINE if method in ("line", METHOD) else MODEL if method else ""


def part_state(item: dict[str, Any], settings: Settings, found: dict[str, Any] | None) -> PartState:
    """One row of the forecast table as the page shows it; `found` is what the wear model says of the life."""
    source = next((rule.source for rule in settings.limits if rule.name == item["rule"]), "")
    method = method_words(item["method"])
    model = found if found is not None and method == MODEL else None
    own = model is not None and item["unit"] == LEVEL_UNIT[Measure(item["measure"])]
    return PartState(
        position=item["position"],
        part=item["part"],
        measure=item["measure"],
        protocol=item["protocol"],
        unit=item["unit"],
        state=item["state"],
        readings=item["readings"],
        level=item["level"],
        level_low=item["level_low"],
        level_high=item["level_high"],
        next_low=item["next_low"],
        next_high=item["next_high"],
        new_low=model["new_low"] if own and model is not None else None,
        new_high=model["new_high"] if own and model is not None else None,
        reference="" if model is None else model["reference"],
        method=method,
        rate=item["rate"],
        rate_low=item["rate_low"],
        rate_high=item["rate_high"],
        rate_unit=item["rate_unit"] or "",
        limit=item["limit"],
        direction=item["direction"],
        rule=item["rule"],
        limit_version=item["limit_version"],
        limit_source=source,
        date_p10=item["date_p10"],
        date_p50=item["date_p50"],
        date_p90=item["date_p90"],
        odometer_p50_km=item["odometer_p50"],
        retest_by=item["retest_by"],
        no_answer=item["no_answer"],
        outside=0 if found is None else found["outside"],
        beyond=0 if found is None else found["beyond"],
        rate_no_answer=None if model is None else model["rate_no_answer"],
        last_test=item["last_test"],
        cause=item["cause"] or "",
        retest_why=item["retest_why"] or "",
        note=item["note"] or "",
        odometer_p05_km=item["odometer_p05"],
        odometer_p10_km=item["odometer_p10"],
        odometer_p90_km=item["odometer_p90"],
        odometer_p95_km=item["odometer_p95"],
        **{name: item[name] for name in _AS_STORED},
    )


def doubtful(found: Sequence[LifeSeries], wear: WearTold) -> tuple[str, ...]:
    """Name the readings of a vehicle that have little or no part in its levels, one sentence each or a series."""
    told: list[str] = []
    for series in found:
        what = f"{position_words(series.position)}, {measure_words(series.measure)}, {series.protocol}"
        unit = LEVEL_UNIT[Measure(series.measure)]
        sizes = {(one.tested_on, one.level, one.bound): one for one in wear.gross.get(life_key(series), ())}
        others: dict[str, list[str]] = {}
        for point, doubt in zip(series.points, doubts(series, wear), strict=True):
            reading = _("{level} on {day}", level=bound_words(point.level, point.bound, unit), day=day_words(point.day))
            if doubt == GROSS:
                one = sizes[point.day, point.level, point.bound]
                why = gross_words(one.z, one.weight)
                told.append(
                    _("{test}: {reading} is taken for a gross error ({why})", test=what, reading=reading, why=why)
                )
            elif doubt:
                others.setdefault(_(doubt), []).append(reading)
            elif point.quality != "good":
                others.setdefault(_("doubted ({why})", why=doubt_words(point.quality)), []).append(reading)
        told += [
            _("{test}: {readings} {doubt}", test=what, readings=_listed(readings), doubt=doubt)
            for doubt, readings in others.items()
        ]
    return tuple(told)


def _listed(readings: Sequence[str], most: int = 3) -> str:
    if len(readings) <= most:
        return "; ".join(readings)
    return _("{n} readings, the last {last},", n=number(len(readings)), last=readings[-1])
