"""An invented vehicle of a milk-collection haulier: two protocols of return flow, and a pump."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, timedelta

import pytest

from wearlab.charts.series import GROSS, LINE, MODEL, Forecast, Level, Limit, Mark, Point, Series, VehicleHistory

FIRST = date(2022, 3, 7)


def points(start: float, rate: float, count: int = 8, *, wobble: float = 0.04, step: float = 1.0) -> tuple[Point, ...]:
    """Readings every 180 days and 24,000 km from 60,000 km on, with a fixed wobble."""
    shifts = (0.4, -0.8, 1.0, -0.2, -1.0, 0.7, 0.1, -0.5)
    return tuple(
        Point(
            day=FIRST + timedelta(days=180 * k),
            distance_km=60_000.0 + 24_000.0 * k,
            odometer_km=60_000.0 + 24_000.0 * k,
            level=(start + rate * k) * (1 + wobble * shifts[k % 8]),
            resolution=step,
        )
        for k in range(count)
    )


def level(start: float, rate: float, since: float = 60_000.0, until: float = 228_000.0, method: str = MODEL) -> Level:
    """A level through the readings of `points`, or ahead of them, its interval widening to both ends."""
    km = tuple(since + (until - since) * k / 7 for k in range(8))
    told = tuple(start + rate * (x - 60_000.0) / 24_000.0 for x in km)
    half = tuple(1.0 + abs(x - 144_000.0) / 40_000.0 for x in km)
    return Level(
        km, told, tuple(y - h for y, h in zip(told, half, strict=True)),
        tuple(y + h for y, h in zip(told, half, strict=True)), method=method,
    )  # fmt: skip


def spoiled(told: tuple[Point, ...]) -> tuple[Point, ...]:
    """The same readings, the fourth a gross error and the second outside the range of correction."""
    other = {3: replace(told[3], level=told[3].level * 2, doubt=GROSS)}
    other[1] = replace(told[1], doubt="outside the range of correction")
    return tuple(other.get(k, point) for k, point in enumerate(told))


@pytest.fixture
def history() -> VehicleHistory:
    """Four injectors (3 is to be booked, 2 was replaced), cranking shares beyond the tube, and the pump."""
    limit = Limit("warm idle", 45.0, "above", 2, "engine plate, invented")
    flow, idle_test, unit = "return_flow", "warm idle", "ml/min"
    idle = [
        Series(
            flow, idle_test, unit, "1", "K-1", points(18, 0.6), limit=limit, state="steady",
            level=level(18, 0.6, method=LINE),
        ),
        Series(
            flow, idle_test, unit, "2", "K-2-old", points(20, 4.0, 5), limit=limit, current=False
        ),
        Series(
            flow, idle_test, unit, "2", "K-2-new",
            tuple(p for p in points(14, 0.3) if p.day > date(2024, 6, 1)), limit=limit, state="steady",
        ),
        Series(
            flow, idle_test, unit, "3", "K-3", spoiled(points(19, 2.6)), level(19, 2.6),
            replace(level(19, 2.6, 228_000.0, 330_000.0), coverage=0.8), "300 bar, 60 °C", limit=limit,
            forecast=Forecast(
                date(2026, 9, 1), date(2027, 5, 3), date(2028, 2, 9), 275_000.0, 300_000.0, 340_000.0
            ),
            state="book",
        ),
        Series(flow, idle_test, unit, "4", "K-4", points(17, 0.7), limit=limit, state="steady"),
    ]  # fmt: skip
    full = Point(date(2025, 9, 1), 60.0, 228_000.0, 228_000.0, bound="at_least", resolution=2.0)
    low = Point(date(2025, 9, 1), 0.5, 228_000.0, 228_000.0, bound="at_most", resolution=1.0)
    crank = [
        Series("return_flow", "crank", "ml/min", "1", "K-1", (*points(8, 0.2, 6), full)),
        Series("return_flow", "crank", "ml/min", "2", "K-2-new", (*points(7, 0.1, 6), low)),
    ]
    pump = Series(
        "pump_rise", "bench 20 ml", "s", "pump", "K-P", points(0.9, 0.05, step=0.01),
        limit=Limit("rise", 1.6, "above", 1, "workshop's own"), state="watch",
    )  # fmt: skip
    return VehicleHistory(
        "K07", date(2026, 10, 31), (*idle, *crank, pump),
        (Mark(date(2024, 5, 20), "replacement 2"), Mark(date(2023, 2, 2), "filter", 104_000.0)),
        ((date(2026, 10, 31), 283_000.0), (date(2028, 10, 31), 379_000.0)),
    )  # fmt: skip
