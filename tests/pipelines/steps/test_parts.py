"""Part numbers, stock, orders and earlier demand of a small store, told by hand."""

from __future__ import annotations

from collections.abc import Callable
from datetime import date
from pathlib import Path
from typing import Any

import pandas as pd
import pytest

from pipelines.steps.lives import rebuild_lives
from pipelines.steps.parts import NumberAhead, PartsTold, parts_told
from pipelines.steps.runs import new_run
from pipelines.steps.stock_count import stock_on
from pipelines.workspace import Workspace
from small_fleet import SETTINGS, SmallFleet
from wearlab.plan.demand import Planned

AS_OF = date(2026, 6, 30)
NUMBERS = """
[plan]
lead_days = { "IV-2" = 10, "PV-1" = 20 }

[parts]
superseded = { "IV-0" = "IV-1", "IV-1" = "IV-2" }

[parts."IV-2"]
fits = ["van"]
part = "injector"
pack = 4
price = 100

[parts."PV-1"]
"""

#: chances by vehicle and position
Forecasts = dict[tuple[str, str], dict[str, Any]]
Make = Callable[..., Workspace]


def foretold(db: Any, run: int, vehicle: str, position: str, **chances: Any) -> None:
    row = {
        "run_id": run, "vehicle": vehicle, "position": position, "part": f"{vehicle}/{position}",
        "measure": "return_flow", "protocol": "warm idle", "unit": "ml/min", "state": "watch", "readings": 3,
        "method": "wear model", **chances,
    }  # fmt: skip
    db.append("forecast", pd.DataFrame([row], dtype=object))


def fleet() -> SmallFleet:
    made = SmallFleet()
    made.original("V1", "2022-01-01")
    made.original("V2", "2022-01-01", leaves_on=pd.Timestamp("2026-06-01"))
    made.original("T1", "2022-01-01", "truck")
    made.test("V1", "2026-03-01", 100_000.0, {"1": 12.0, "2": 13.0})
    made.test("V2", "2026-03-01", 90_000.0, {"1": 12.0})
    made.test("T1", "2026-03-01", 100_000.0, {"1": 12.0})
    made.test("V1", "2026-03-01", 100_000.0, {"pump": 1500.0}, measure="pump_peak", protocol="closed volume")
    made.work("replacement", "2026-06-10", "V1", position="2", part_number="IV-0")
    made.work("replacement", "2026-05-12", "T1", position="set")
    made.rows["stock"] = []
    return made


@pytest.fixture
def make(tmp_path: Path) -> Make:
    """Write a fleet with a run as of the day, whose forecasts are given, and maybe one of an earlier day."""

    def _make(made: SmallFleet, now: Forecasts, then: Forecasts | None = None) -> Workspace:
        place = made.written(tmp_path / "small", SETTINGS + NUMBERS)
        with place.open() as db:
            rebuild_lives(db, place.settings)
            for day, rows in ((date(2026, 5, 31), then), (AS_OF, now)):
                if rows is not None:
                    run = new_run(db, place, day, "learn")
                    for (vehicle, position), chances in rows.items():
                        foretold(db, run, vehicle, position, **chances)
        return place

    return _make


def number(told: PartsTold, name: str) -> NumberAhead:
    return next(one for one in told.numbers if one.name == name)


def test_numbers_are_recorded_ones_else_what_the_family_takes(make: Make) -> None:
    told = parts_told(make(fleet(), {}), AS_OF)
    seated = {one.name: one.seated for one in told.numbers}
    # V1's first injector by its family, the second by its old number; V2 has left; a pump of a family that has none
    assert seated["IV-2"] == 2
    assert seated["van, pump, no number"] == 1
    assert {name for name in seated if name.startswith("truck")} == {"truck, injector, no number"}
    assert number(told, "IV-2").untold == 2
    assert any(sentence.startswith("truck, injector, no number: with [parts") for sentence in told.missing)


def test_demand_and_the_order_by_hand(make: Make) -> None:
    made = fleet()
    made.rows["stock"].append({"part_number": "IV-2", "counted_on": pd.Timestamp("2026-06-20"), "on_hand": 1})
    chances = {"past": 0.5, "within_30": 0.6, "within_90": 0.6, "within_180": 0.6}
    place = make(made, {("V1", "1"): chances, ("V1", "2"): chances})
    one = number(parts_told(place, AS_OF, months=2, service=0.8), "IV-2")
    # both in July with 0.6 each; a level that lasts with 0.8: 1 has 0.84
    assert (one.months[0].mean, one.months[1].mean) == (pytest.approx(1.2), pytest.approx(0.0, abs=1e-6))
    assert (one.months[0].p50, one.months[0].p90, one.months[0].p95) == (1, 2, 2)
    order = one.order
    assert order is not None
    assert one.covered_until == date(2026, 8, 10)
    assert (order.level, order.order) == (2, 4)  # P(at most 1) = 1 - 0.36 is not enough; a pack of 4
    assert order.lasts == pytest.approx(0.64, abs=1e-6)
    assert one.price == 100


def test_a_level_that_the_stock_has_orders_nothing(make: Make) -> None:
    made = fleet()
    made.rows["stock"].append({"part_number": "IV-2", "counted_on": pd.Timestamp("2026-06-20"), "on_hand": 1})
    place = make(made, {("V1", "1"): {"past": 0.4, "within_365": 0.4}})
    order = number(parts_told(place, AS_OF), "IV-2").order
    assert order is not None
    assert order.order == 0


def test_why_an_order_cannot_be_told(make: Make) -> None:
    told = parts_told(make(fleet(), {}), AS_OF)
    assert number(told, "IV-2").no_order == "the stock was never counted"
    assert number(told, "truck, injector, no number").no_order == "no part number is known"


def test_a_plan_decides_its_places(make: Make) -> None:
    place = make(fleet(), {("V1", "1"): {"past": 0.9}, ("V1", "2"): {"past": 0.5}})
    planned = {("V1", "1"): Planned((date(2026, 8, 3),), (1.0,))}
    one = number(parts_told(place, AS_OF, months=2, schedule=planned), "IV-2")
    assert [span.mean for span in one.months] == pytest.approx([0.5, 1.0])


def test_the_newest_count_holds_and_what_was_used_since_is_gone(make: Make) -> None:
    made = fleet()
    stamp = pd.Timestamp
    made.rows["stock"] += [
        {"part_number": "IV-2", "counted_on": stamp("2026-01-31"), "on_hand": 9, "on_order": 9},
        {"part_number": "IV-2", "counted_on": stamp("2026-06-01"), "on_hand": 3, "on_order": 2,
         "due_on": stamp("2026-07-05")},
        {"part_number": "IV-2", "counted_on": stamp("2026-06-01"), "on_order": 5, "due_on": stamp("2026-12-05")},
        {"part_number": "IV-2", "counted_on": stamp("2026-08-01"), "on_hand": 50},
        {"part_number": "IV-1", "counted_on": stamp("2026-05-01"), "on_hand": 1},
        {"part_number": "PV-1", "on_hand": 4},
    ]  # fmt: skip
    place = make(made, {})
    with place.open(read_only=True) as db:
        found = stock_on(db, place.settings, AS_OF, [(date(2026, 6, 10), "IV-2"), (date(2026, 5, 12), "IV-2")])
    stock = found["IV-2"]
    # 3 and 1 of the old number, less the one put in after the count
    assert (stock.on_hand, stock.used_since, stock.counted_on) == (3, 1, date(2026, 6, 1))
    assert (stock.on_order, stock.due_by(date(2026, 7, 5)), stock.due_by(date(2026, 7, 4))) == (7, 2, 0)
    assert found["PV-1"].on_hand == 4


def test_earlier_demand_stands_beside_what_was_used(make: Make) -> None:
    then = {("V1", "1"): {"past": 0.1, "within_30": 0.3}, ("V1", "2"): {"past": 0.8, "within_30": 0.9}}
    told = parts_told(make(fleet(), {}, then), AS_OF, months=2)
    by_month = {(row.name, row.month_end.month): row for row in told.asked}
    june = by_month["IV-2", 6]
    assert june.issued_on == date(2026, 5, 31)
    assert (june.mean, june.p90, june.used) == (pytest.approx(1.2), 2, 1)
    # nothing was forecast before May; a set of a six-cylinder truck has six injectors
    may = by_month["truck, injector, no number", 5]
    assert (may.issued_on, may.mean) == (None, None)


def test_a_whole_set_counts_its_injectors(make: Make) -> None:
    made = fleet()
    for line in made.rows["register"]:
        line["cylinders"] = 6 if line["family"] == "truck" else 4
    told = parts_told(make(made, {}), AS_OF, months=2)
    assert {(row.name, row.used) for row in told.asked if row.month_end.month == 5} == {
        ("truck, injector, no number", 6)
    }
