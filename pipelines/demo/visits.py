"""Tests as the workshops made them: conditions, readings with their errors, tubes that run over."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date

import numpy as np

from pipelines.demo import scenario as sc
from pipelines.demo.fleet import Fleet
from pipelines.demo.parts import Life, true_value
from pipelines.demo.scenario import DemoRig
from pipelines.demo.vehicles import Vehicle, shown_km
from wearlab.records import PUMP


@dataclass(frozen=True, slots=True)
class Shown:
    """One number as the rig showed it; `over`: the tube or limiter was reached at this value."""

    value: float
    over: bool = False


@dataclass(frozen=True, slots=True)
class DemoTest:
    """One test: `kind` is idle, crank or pump. A condition that nobody wrote down is None.

    `readings` by position; of a pump test "peak" and "rise" instead. The last four are told by `occasions`.
    """

    vehicle: Vehicle
    day: date
    odometer: int | None
    workshop: str
    kind: str
    run: int
    duration_s: float | None
    rail_bar: int | None
    temp_c: int | None
    speed_rpm: int | None
    battery_v: float | None
    supply_bar: float | None
    technician: str
    readings: dict[str, Shown]
    note: str = ""
    reason: str = ""
    complaint: str = ""
    fault_codes: str = ""
    supply_note: str = ""


def make_tests(fleet: Fleet) -> tuple[DemoTest, ...]:
    """Simulate every test of every visit, ordered by day, vehicle, kind and run."""
    found: list[DemoTest] = []
    for vehicle in fleet.vehicles:
        change = fleet.planted.meter if vehicle.key == fleet.planted.meter_vehicle else None
        for nth, day in enumerate(vehicle.visits):
            rng = np.random.default_rng([fleet.seed, 5, vehicle.index, nth])
            away = float(rng.random()) < 0.06
            workshop = str(rng.choice([d for d in sc.DEPOTS if d != vehicle.depot])) if away else vehicle.depot
            written = float(rng.random()) >= 0.02
            bench = _Bench(
                rng, vehicle, day, shown_km(vehicle, day, change) if written else None, workshop,
                str(rng.choice(sc.TECHNICIANS[workshop])), fleet.fitted(vehicle, day),
            )  # fmt: skip
            found += bench.idle()
            found += bench.crank() if rng.random() < 0.55 else []
            found += bench.pump() if rng.random() < 0.75 else []
    order = {"idle": 0, "crank": 1, "pump": 2}
    return tuple(sorted(found, key=lambda t: (t.day, t.vehicle.index, order[t.kind], t.run)))


class _Bench:
    """One visit at one rig; draws what the visit's tests share once."""

    def __init__(
        self,
        rng: np.random.Generator,
        vehicle: Vehicle,
        day: date,
        odometer: int | None,
        workshop: str,
        technician: str,
        parts: dict[str, Life],
    ) -> None:
        self.rng, self.vehicle, self.day, self.odometer = rng, vehicle, day, odometer
        self.workshop, self.technician = workshop, technician
        self.rig: DemoRig = sc.RIGS[workshop]
        self.pump_life = parts[PUMP]
        self.injectors = {place: life for place, life in sorted(parts.items()) if place != PUMP}
        self.season = float(np.cos(2 * np.pi * (day.timetuple().tm_yday - 200) / 365.25))
        self.shared = self._normal(sc.VISIT_SD)
        self.own = {place: self._normal(sc.PART_VISIT_SD) for place in self.injectors}

    def _normal(self, sd: float) -> float:
        return sd * float(self.rng.standard_normal())

    def _kept(self, value: float, missing: float = 0.08) -> float | None:
        return None if self.rng.random() < missing else value

    def _test(
        self,
        kind: str,
        run: int,
        readings: dict[str, Shown],
        note: str = "",
        *,
        duration: float | None = None,
        rail: float | None = None,
        temp: float | None = None,
        speed: float | None = None,
        battery: float | None = None,
        supply: float | None = None,
    ) -> DemoTest:
        return DemoTest(
            self.vehicle, self.day, self.odometer, self.workshop, kind, run, duration,
            None if rail is None else round(rail), None if temp is None else round(temp),
            None if speed is None else round(speed), None if battery is None else round(battery, 1),
            None if supply is None else round(supply, 1), self.technician, readings, note,
        )  # fmt: skip

    def _tube(self, volume: float) -> Shown:
        """What is read off a tube: rounded to its marks, or the tube's size once it runs over."""
        mark = self.rig.graduation_ml
        if volume > self.rig.tube_ml:
            return Shown(self.rig.tube_ml, over=True)
        return Shown(round(max(volume, 0.0) / mark) * mark)

    def idle(self) -> list[DemoTest]:
        """Return flow at warm idle, 60 s, now and then measured twice."""
        temp = float(np.clip(45.0 + 6.0 * self.season + self._normal(2.5), 32.0, 60.0))
        kept_temp = self._kept(temp)
        # now and then the watch is forgotten: two minutes, written down as such
        duration = sc.IDLE_S * (2.0 if self.rng.random() < sc.FORGOTTEN_WATCH else 1.0)
        found = []
        for run in range(1, 3 if self.rng.random() < 0.15 else 2):
            rail = sc.IDLE_RAIL_BAR + self._normal(7.0)
            factor = (rail / sc.IDLE_RAIL_BAR) ** sc.PRESSURE_EXPONENT
            thin = (sc.viscosity(sc.IDLE_TEMP_C) / sc.viscosity(temp)) ** sc.VISCOSITY_EXPONENT
            readings = {}
            for place, life in self.injectors.items():
                error = self.shared + self.own[place] + self._normal(sc.READING_SD["idle"])
                volume = true_value(life, "return_flow", life.wear_at(self.day) + error) * factor * thin
                volume *= duration / sc.IDLE_S * sc.drift(self.workshop, self.day)
                readings[place] = self._tube(volume)
            note = "tube ran over" if any(shown.over for shown in readings.values()) else ""
            found.append(
                self._test("idle", run, readings, note or ("measured again" if run == 2 else ""),
                           duration=duration, rail=self._kept(rail), temp=kept_temp)
            )  # fmt: skip
        return found

    def crank(self) -> list[DemoTest]:
        """Return flow while cranking: the set takes what the pump delivers, up to the rail's limiter."""
        family = self.vehicle.family
        speed = family.crank_rpm * float(np.exp(self._normal(0.05)))
        delivery = family.crank_delivery_ml * speed / family.crank_rpm
        delivery *= float(np.exp(-2.0 * self.pump_life.wear_at(self.day)))
        leaks = {
            place: family.crank_leak_ml * float(np.exp(life.wear_at(self.day)))
            for place, life in self.injectors.items()
        }
        rail = sc.IDLE_RAIL_BAR * (delivery / sum(leaks.values())) ** (1.0 / sc.PRESSURE_EXPONENT)
        rail = min(rail, sc.CRANK_RAIL_MOST_BAR)
        # dry hoses swallow the first fuel of a short test
        swallowed = float(self.rng.uniform(0.6, 1.3)) if self.rng.random() < 0.12 else 0.0
        readings = {}
        for place, leak in leaks.items():
            error = self.shared + self.own[place] + self._normal(sc.READING_SD["crank"])
            volume = leak * (rail / sc.IDLE_RAIL_BAR) ** sc.PRESSURE_EXPONENT * float(np.exp(error))
            volume *= self.rig.crank_s / 30.0 * sc.drift(self.workshop, self.day)
            readings[place] = self._tube(volume - swallowed)
        return [
            self._test("crank", 1, readings, "hoses were dry" if swallowed else "", duration=self.rig.crank_s,
                       rail=self._kept(rail, 1.0 if self.workshop == "North" else 0.3),
                       temp=self._kept(18.0 + 8.0 * self.season + self._normal(2.0), 0.3),
                       speed=self._kept(speed), battery=self._kept(11.2 + self._normal(0.3)))
        ]  # fmt: skip

    def pump(self) -> list[DemoTest]:
        """Peak and time to the stated pressure on the closed volume."""
        family, life = self.vehicle.family, self.pump_life
        temp = sc.PUMP_TEMP_C + 9.0 * self.season + self._normal(2.0)
        speed = family.crank_rpm * float(np.exp(self._normal(0.04)))
        thick = (sc.viscosity(temp) / sc.viscosity(sc.PUMP_TEMP_C)) ** sc.PUMP_VISCOSITY_EXPONENT
        shared = 0.5 * self.shared
        peak = true_value(life, "pump_peak", life.wear_at(self.day)) * thick
        peak *= float(np.exp(shared + self._normal(sc.READING_SD["peak"])))
        rise = true_value(life, "pump_rise", life.wear_at(self.day)) * family.crank_rpm / speed
        rise *= float(np.exp(self._normal(sc.READING_SD["rise"])))
        gauge = self.rig.gauge_bar
        over = peak >= self.rig.limiter_bar
        readings = {"peak": Shown(self.rig.limiter_bar if over else round(peak / gauge) * gauge, over)}
        if peak > sc.RISE_TO_BAR + 20.0:
            readings["rise"] = Shown(round(rise / 0.05) * 0.05)
        return [
            self._test("pump", 1, readings, temp=self._kept(temp), speed=self._kept(speed),
                       battery=self._kept(11.4 + self._normal(0.3)),
                       supply=self._kept(4.4 + self._normal(0.25), 0.12))
        ]  # fmt: skip
