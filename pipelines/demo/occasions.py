"""Why a vehicle came to the workshop: reason, complaint and fault codes of every visit, and the supply as seen.

Everything here has random streams of its own, so that no reading depends on it.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date

import numpy as np

from pipelines.demo.fleet import Fleet
from pipelines.demo.parts import Life, limit_of, true_value
from pipelines.demo.vehicles import Vehicle
from pipelines.demo.visits import DemoTest
from wearlab.records import PUMP

#: complaints by what stands behind them, all of a row equally likely
COMPLAINTS = {
    "injector": ("rough idle", "hard starting when cold", "smoke", "starts after long cranking"),
    "pump": ("loss of power uphill", "starts after long cranking", "hard starting when cold"),
    "other": ("rough idle", "hard starting when cold", "loss of power uphill", "smoke"),
}
#: a visit so few days before a repair is the one that led to it
_FEW_DAYS = 7
#: the first visit after a repair is the check after it when it follows within these days
_CHECK_DAYS = 120
_RETURN_DAYS = 150
_PART_WARRANTY_DAYS = 365
_VEHICLE_WARRANTY_DAYS = 3 * 365
#: share of the way from new to the limit (log scale) beyond which a part is clearly worn
_CLEARLY_WORN = 0.85
_CHANCE = {"repair": 0.9, "past": 0.85, "worn": 0.45, "other": 0.04}
_SUPPLY_SEEN = ("filter ok, no air", "filter ok, no air", "filter changed, no air", "filter ok", "no air")
#: pump tests at the end of a weak pump's history whose supply is written down without a gap
_SURE_TESTS = 2


@dataclass(frozen=True, slots=True)
class Occasion:
    """What the visit was for. `reason` is one of the layout's words, or blank where nobody wrote one."""

    reason: str = ""
    complaint: str = ""
    fault_codes: str = ""


def with_occasions(fleet: Fleet, tests: Sequence[DemoTest]) -> tuple[DemoTest, ...]:
    """Return the tests with reason, complaint, codes and supply note; readings are left as they are."""
    occasions = {
        (vehicle.key, day): occasion for vehicle in fleet.vehicles for day, occasion in _visits(fleet, vehicle).items()
    }
    sure = _sure(fleet, tests)
    found = []
    for test in tests:
        occasion = occasions[test.vehicle.key, test.day]
        told = dataclasses.replace(
            test, reason=occasion.reason, complaint=occasion.complaint, fault_codes=occasion.fault_codes
        )
        if test.kind == "pump":
            told = _with_supply(fleet, told, (test.vehicle.key, test.day) in sure)
        found.append(told)
    return tuple(found)


def repair_days(fleet: Fleet, vehicle: Vehicle) -> dict[str, date]:
    """Days on which parts of a vehicle were replaced or exchanged, by position."""
    planted = fleet.planted
    found = {place: day for (key, place), (day, _) in planted.replaced.items() if key == vehicle.key}
    if vehicle.key == planted.swap_vehicle:
        lives = fleet.fitted(vehicle, planted.swap_day)
        found[max(fleet.swapped, key=lambda place: lives[place].wear_at(planted.swap_day))] = planted.swap_day
    return found


def _visits(fleet: Fleet, vehicle: Vehicle) -> dict[date, Occasion]:
    repairs = repair_days(fleet, vehicle)
    found: dict[date, Occasion] = {}
    before: date | None = None
    for nth, day in enumerate(vehicle.visits):
        rng = np.random.default_rng([fleet.seed, 10, vehicle.index, nth])
        # every visit draws the same numbers, whatever comes of them
        chance, why, blank, stray = (float(one) for one in rng.random(4))
        lives = fleet.fitted(vehicle, day)
        cause, likely = _cause(lives, repairs, day)
        repaired = [done for done in repairs.values() if before is not None and before <= done < day]
        if repaired and (day - max(repaired)).days <= _CHECK_DAYS:
            found[day] = Occasion("after repair")
        elif chance < likely:
            words = COMPLAINTS["other" if cause is None else "pump" if cause == PUMP else "injector"]
            complaint = words[int(rng.integers(len(words)))]
            again = before is not None and bool(found[before].complaint) and (day - before).days <= _RETURN_DAYS
            reason = _reason(vehicle, lives.get(cause or ""), again, day, why)
            found[day] = Occasion(reason, complaint, _codes(rng, complaint, cause))
        else:
            codes = "P0088" if stray < 0.006 else ""
            found[day] = Occasion("" if blank < 0.03 else "planned", "", codes)
        before = day
    return found


def _cause(lives: dict[str, Life], repairs: dict[str, date], day: date) -> tuple[str | None, float]:
    """Position of the part that makes the driver complain, if any, and how likely he does."""
    for place, done in repairs.items():
        if 0 <= (done - day).days <= _FEW_DAYS:
            return place, _CHANCE["repair"]
    worn = {place: _share_worn(life, day) for place, life in lives.items()}
    worst = max(worn, key=lambda place: worn[place])
    if worn[worst] >= _CLEARLY_WORN:
        return worst, _CHANCE["past" if worn[worst] >= 1.0 else "worn"]
    return None, _CHANCE["other"]


def _share_worn(life: Life, day: date) -> float:
    measure = "pump_peak" if life.pump else "return_flow"
    way = abs(float(np.log(limit_of(life, measure) / true_value(life, measure, 0.0))))
    return life.wear_at(day) / way


def _reason(vehicle: Vehicle, life: Life | None, again: bool, day: date, why: float) -> str:
    """The word for a visit with a complaint; `life` is the part behind it, `again` a complaint just before."""
    if again and why < 0.7:
        return "return"
    covered = life is not None and life.origin != "original" and (day - life.fitted).days <= _PART_WARRANTY_DAYS
    young = (day - vehicle.in_service).days <= _VEHICLE_WARRANTY_DAYS
    return "warranty" if covered or (young and why < 0.5) else "complaint"


def _codes(rng: np.random.Generator, complaint: str, cause: str | None) -> str:
    """Codes read out with a complaint: rail pressure low, a large leak, an injector's circuit, or none."""
    low, leak, circuit = (float(one) for one in rng.random(3))
    found = []
    if complaint != "rough idle" and low < (0.6 if cause == PUMP else 0.35):
        found.append("P0087")
    if complaint == "starts after long cranking" and cause is not None and cause != PUMP and leak < 0.4:
        found.append("P0093")
    if complaint == "rough idle" and cause is not None and cause != PUMP and circuit < 0.4:
        found.append(f"P020{cause}")
    return " ".join(found)


def _sure(fleet: Fleet, tests: Sequence[DemoTest]) -> set[tuple[str, date]]:
    found: set[tuple[str, date]] = set()
    for key, _ in fleet.planted.weak:
        days = sorted(test.day for test in tests if test.vehicle.key == key and test.kind == "pump")
        found |= {(key, day) for day in days[-_SURE_TESTS:]}
    return found


def _with_supply(fleet: Fleet, test: DemoTest, sure: bool) -> DemoTest:
    """A pump test with what was seen of filter and air; blank now and then, but not where it must be told."""
    rng = np.random.default_rng([fleet.seed, 11, test.vehicle.index, test.day.toordinal()])
    blank, pressure = float(rng.random()) < 0.2, float(rng.normal(4.4, 0.2))
    seen = _SUPPLY_SEEN[int(rng.integers(len(_SUPPLY_SEEN)))]
    if sure:
        seen = _SUPPLY_SEEN[0]
        # a gauge that nobody wrote down is read by a stream of its own
        bar = round(pressure, 1) if test.supply_bar is None else test.supply_bar
        test = dataclasses.replace(test, supply_bar=bar)
    elif blank:
        return test
    return dataclasses.replace(test, supply_note=seen)
