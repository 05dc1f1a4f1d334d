"""The view of an invented milk-collection haulier with six vehicles and three depots, in plain values."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, timedelta
from pathlib import Path

import pytest

from pack_views import pack_view
from page_reader import Page
from wearlab.charts.series import MODEL, Forecast, Level, Limit, Mark, Point, Series, VehicleHistory
from wearlab.pack.order import sort_attention
from wearlab.pack.pack_view import PackView
from wearlab.pack.site import write_pack
from wearlab.pack.view import (
    Attention,
    FleetRow,
    JudgedSet,
    JudgedTest,
    MonthView,
    PartRow,
    PartState,
    SetReading,
    VehicleView,
    Verdict,
    VisitRow,
)
from wearlab.pack.wear import GrossReading, WearEffect, WearGroup

AS_OF = date(2026, 10, 31)
IDLE = Limit("warm idle", 45.0, "above", 2, "workshop manual of the engine, invented")
RISE = Limit("rise to 1,000 bar", 1.6, "above", 1, "the workshop's own experience")
FORECAST = Forecast(date(2027, 3, 9), date(2027, 5, 20), date(2027, 7, 28), 318_000.0, 329_000.0, 341_000.0)
UNDER = "300 bar, 60 °C"
DEPOTS = ("north depot", "east depot", "river depot")
WOBBLE = (0.4, -0.8, 1.0, -0.2, -1.0, 0.7, 0.1, -0.5)


def readings(start: float, rate: float, step: float, seed: int, count: int = 9) -> tuple[Point, ...]:
    """Readings every 170 days and 23,000 km with a fixed wobble; the sixth test ran over the 60 ml tube."""
    return tuple(
        Point(
            day=date(2022, 8, 12) + timedelta(days=170 * k),
            distance_km=112_000.0 + 23_000.0 * k,
            odometer_km=112_000.0 + 23_000.0 * k,
            level=round((start + rate * k) * (1 + 0.03 * WOBBLE[(k + seed) % 8]) / step) * step,
            resolution=step,
        )
        for k in range(count)
    )


def fitted(start: float, rate: float, since: float = 112_000.0, until: float = 296_000.0) -> Level:
    """The level behind `readings`, or ahead of them."""
    km = tuple(since + (until - since) * k / 8 for k in range(9))
    level = tuple(start + rate * (x - 112_000.0) / 23_000.0 for x in km)
    half = tuple(0.06 * start * (1 + abs(x - 204_000.0) / 90_000.0) for x in km)
    low = tuple(y - h for y, h in zip(level, half, strict=True))
    return Level(km, level, low, tuple(y + h for y, h in zip(level, half, strict=True)))


def vehicle_view(number: int, cylinders: int, state: str) -> VehicleView:
    """One vehicle; its injector 3 is in `state` (and wears four times as fast unless it is steady)."""
    key = f"K{number:02d}"
    fast = 0.5 if state == "steady" else 2.6
    rates = [fast if c == 3 else 0.5 + 0.1 * (c % 3) for c in range(1, cylinders + 1)]
    series = [
        Series(
            "return_flow", "warm idle", "ml/min", str(c), f"{key}-{c}", readings(17 + c % 4, rate, 1.0, c),
            level=fitted(17 + c % 4, rate), ahead=fitted(17 + c % 4, rate, 296_000.0, 350_000.0),
            reference=UNDER, limit=IDLE, state=state if c == 3 else "steady",
            forecast=FORECAST if c == 3 and state in ("book", "watch", "past limit") else None,
        )
        for c, rate in enumerate(rates, 1)
    ]  # fmt: skip
    crank = [
        Series("return_flow", "crank 15 s", "ml/min", str(c), f"{key}-{c}", readings(7 + c % 3, 0.2, 0.5, c))
        for c in range(1, cylinders + 1)
    ]
    over = replace(crank[1].points[-1], level=60.0, bound="at_least")
    crank[1] = replace(crank[1], points=(*crank[1].points[:-1], over))
    pump = Series(
        "pump_rise", "bench 20 ml", "s", "pump", f"{key}-P", readings(0.8, 0.04, 0.01, 2), limit=RISE,
        state="steady", level=fitted(0.8, 0.04),
    )  # fmt: skip
    day = series[0].points[-1].day
    levels = [one.points[-1].level for one in series]
    median = sorted(levels)[len(levels) // 2]
    test = JudgedTest(
        tested_on=day,
        odometer_km=series[0].points[-1].odometer_km,
        sets=(
            JudgedSet(
                "return_flow", "warm idle", "ml/min",
                tuple(
                    SetReading(
                        str(c), level, f"{key}-{c}", None, 1.0, level / median,
                        "high: beyond graduation and repeatability" if level > 1.5 * median else "",
                    )
                    for c, level in enumerate(levels, 1)
                ),
                median, (("rail pressure", "310 bar"), ("duration", "60 s"), ("rig", "R1")),
            ),
            JudgedSet(
                "return_flow", "crank 15 s", "ml/min",
                tuple(SetReading(s.position, s.points[-1].level, s.part, s.points[-1].bound) for s in crank),
                8.0,
                (("rail pressure", "not recorded"),),
            ),
        ),
        verdicts=(
            Verdict(
                "warm idle", "within limit", "Injector 3 reads 40 ml/min against at most 45.", "3", 2,
                IDLE.source,
            ),
        ),
        weaknesses=("Rail pressure was not recorded while cranking: shares of the set only.",),
        diagnosis="Points to injector 3; the pump reached its pressure in the usual time.",
        evidence=("Injector 3 returns 1.9 times the median of its set.", "Pump rise is inside its limit."),
        next_test="Exchange the hoses of 3 and 4 and repeat the warm idle test.",
        cautions=("An injector's trim code moves with the injector.",),
    )  # fmt: skip
    states = tuple(
        PartState(
            one.position, one.part, one.measure, one.protocol, one.unit, one.state or "no limit",
            len(one.points),
            one.points[-1].level, one.points[-1].level * 0.94, one.points[-1].level * 1.06, 30.1, 44.2, 14.5, 19.5,
            UNDER, MODEL, 1.1, 0.7, 1.5, "ml/min per 10,000 km",
            IDLE.value, "above", IDLE.name, IDLE.version, IDLE.source,
            *((FORECAST.date_p10, FORECAST.date_p50, FORECAST.date_p90, 329_000.0) if one.forecast else ()),
            no_answer=None if one.forecast else "The slope cannot be told from zero yet.",
        )
        for one in series
    )  # fmt: skip
    return VehicleView(
        vehicle=key,
        family="four-cylinder van" if cylinders == 4 else "six-cylinder truck",
        depot=DEPOTS[number % 3],
        cylinders=cylinders,
        duty="farm round",
        fuel_supply="depot tank",
        in_service=date(2020, 3, 1),
        aliases=(f"MK {number}",),
        km_per_day=135.0,
        km_per_day_low=121.0,
        km_per_day_high=149.0,
        odometer_now_km=301_400.0,
        worst_state=state,
        last_test=test,
        states=states,
        doubts=("injector 2, return flow, crank 15 s: at least 60.0 ml/min on 4 May 2026 left out of the fit",),
        parts=(
            *(PartRow(s.position, s.part, date(2022, 8, 12), None, "first test") for s in crank),
            PartRow("2", f"{key}-2-old", date(2020, 3, 1), date(2022, 8, 1), "new", "S-4471", "IN-20"),
            PartRow("pump", f"{key}-P", date(2022, 8, 12), None, "first test"),
        ),
        visits=tuple(
            VisitRow(
                point.day, point.odometer_km, "planned", "hard start when warm" if k == 5 else "", "",
                ("return flow, warm idle", "pump rise, bench 20 ml"), ("filter renewed",) if k == 4 else (),
                source=f"north.csv row {12 + k}",
            )
            for k, point in enumerate(series[0].points)
        ),
        history=VehicleHistory(
            key, AS_OF, (*series, *crank, pump), (Mark(date(2024, 6, 24), "filter"),),
            ((AS_OF, 301_400.0), (date(2028, 10, 31), 400_000.0)),
        ),
    )  # fmt: skip


def month_view() -> MonthView:
    """The October pack: one part past its limit, two to book, one to test again."""
    plan = ((1, 4, "book"), (2, 6, "past limit"), (3, 4, "steady"), (4, 6, "watch"), (5, 4, "book"))
    vehicles = [vehicle_view(*row) for row in plan]
    bare = VehicleView("K06", family="four-cylinder van", depot="river depot", worst_state=None)
    pressing = [one for one in vehicles if one.worst_state in ("book", "past limit")]
    attention = [
        Attention(
            one.vehicle, "3", f"{one.vehicle}-3", one.worst_state or "", "return_flow", "warm idle",
            "Its return flow rises four times as fast as the family's and stands at 89 % of the limit.",
            FORECAST.date_p10, FORECAST.date_p50, FORECAST.date_p90, 329_000.0, 40.1, 37.2, 43.0, "ml/min", UNDER,
            45.0, "above", "warm idle", 2, IDLE.source, date(2026, 5, 4), date(2027, 2, 1),
        )
        for one in pressing
    ]  # fmt: skip
    again = Attention(
        "K04", "pump", "K04-P", "test again", "pump_peak", "bench 20 ml",
        "The last peak was read without a recorded supply pressure: pump or supply, check supply first.",
        no_answer="No date: the last test cannot be used.", unit="bar", last_test=date(2026, 5, 4),
    )  # fmt: skip
    return MonthView(
        title="October 2026",
        as_of=AS_OF,
        workspace="Milk round, three depots",
        version="0.1.0",
        attention=sort_attention([*attention, again]),
        fleet=tuple(
            FleetRow(
                one.vehicle, one.family, one.depot, one.last_test.tested_on if one.last_test else None,
                one.worst_state, "injector 3" if one.worst_state else "",
                *((FORECAST.date_p10, FORECAST.date_p50, FORECAST.date_p90) if one in pressing else ()),
            )
            for one in (*vehicles, bare)
        ),
        vehicles=(*vehicles, bare),
        wear=(
            WearGroup(
                "return_flow", "warm idle", "ml/min", "km", 213, 5, 24, "straight line",
                (("straight line", 0.62), ("logarithm", 0.38)), "weighed by forecasts of held-back readings",
                "converged", 6, -412.3, ("one reading a visit: visit and reading error are told as one",),
                (
                    WearEffect("rate", "four-cylinder van", 0.42, 0.31, 0.53, "ml/min per 10,000 km"),
                    WearEffect("exponent", "rail pressure", 0.97, 0.61, 1.33, "", "assumed: 1.00, sd 0.25"),
                    WearEffect("offset", "R2 before 2024-03-01", 6.2, 1.1, 11.6, "%"),
                    WearEffect("offset", "R1 from 2025-01-01", 0.4, -3.1, 4.0, "%"),
                ),
                (GrossReading("K01", "3", "K01-3", date(2024, 6, 10), 88.0, None, 7.4, 0.0),),
            ),
            WearGroup(
                "pump_rise", "bench 20 ml", "s", "km", 0, 0, 0, None, (), "no reading of this group may be used",
                "no answer",
            ),
        ),
        settings=(("book within", "90 days"), ("settings file", "sha256 41f0…")),
    )  # fmt: skip


@pytest.fixture(scope="session")
def october() -> MonthView:
    """The view of the invented fleet in October 2026."""
    return month_view()


@pytest.fixture(scope="session")
def view(october: MonthView) -> PackView:
    return pack_view(october)


@pytest.fixture(scope="session")
def folder(view: PackView, tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("pack") / "2026-10"
    write_pack(view, path)
    return path


@pytest.fixture(scope="session")
def pages(folder: Path) -> dict[str, Page]:
    """Every page by its path below the folder."""
    return {
        path.relative_to(folder).as_posix(): Page(path.read_text("utf-8")) for path in sorted(folder.rglob("*.html"))
    }
