"""The injectors of every vehicle as sets: which part sits where, where they stand, which may serve as the lowest."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from pipelines.steps.fleet_today import FleetToday
from pipelines.steps.group_rows import Flags, Floats, Ints
from pipelines.steps.wear_learn import Learned
from wearlab.lives.usage import Usage
from wearlab.records import PUMP, Measure
from wearlab.wear.results import WearFit

#: shares of the reach at which the sets are looked at, from today on
SHARES = np.array([0.0, 0.004, 0.009, 0.017, 0.026, 0.05, 0.075, 0.1, 0.15, 0.2, 0.3, 0.45, 0.65, 1.0])
#: the reach is what a vehicle drives at most in this many years, or without a pace this many typical spans
REACH_YEARS, REACH_SPANS = 10.0, 5.0
_LEAST_REACH_KM = 10_000.0
#: a reading that counts for less than this in the fit puts its part under suspicion
_SUSPECT = 0.5


@dataclass(frozen=True, slots=True, eq=False)
class VehicleSets:
    """M sets of one family, of L cylinders each; distances and exposures in km.

    Attributes
    ----------
    family, positions : of all of them ("" where unknown); the L cylinders, or the pump.
    vehicle : (M,) codes of vehicles.
    counted : whether the number of cylinders is known; without it a set is never complete.
    life : (M, L) lives of the group by cylinder, -1 where no part with a level sits; `known` where one does;
        `complete` (M,) where all do and their number is known.
    newest : (M, L) place of each life's last reading in the fit, -1 where there is no life.
    start, now : (M,) true distance of the vehicle at the set's latest test, and today (as at the test without a pace).
    offset : (M, L) true distance less exposure of the part.
    ahead : (M, G) distances to go from today, rising from 0.
    tested_on : (M,) day of the latest test, since 1970-01-01.
    new, suspect : (M, L) parts that cannot serve as the lowest: fitted new with one visit since, among others that have
        more; or with a last reading that the fit doubts or that is below the scale.
    """

    family: str
    positions: tuple[str, ...]
    counted: bool
    vehicle: Ints
    life: Ints
    known: Flags
    complete: Flags
    newest: Ints
    start: Floats
    now: Floats
    offset: Floats
    ahead: Floats
    tested_on: Ints
    new: Flags
    suspect: Flags

    @property
    def exposure(self) -> Floats:
        """Exposure of the parts at the latest test, today and ahead, (M, 1 + G, L)."""
        distance = np.concatenate([self.start[:, None], self.now[:, None] + self.ahead], axis=1)
        return np.maximum(distance[:, :, None] - self.offset[:, None, :], 0.0)


def vehicle_sets(found: Learned, fit: WearFit, life: Ints, fleet: FleetToday) -> list[VehicleSets]:
    """Arrange lives `life` (seated, with an answer) as sets, one entry a family and number of cylinders."""
    lives = found.group.lives
    pump = Measure(found.group.measure) is not Measure.RETURN_FLOW
    seat = np.array([_seat(at, pump) for at in lives.seat[life].tolist()], dtype=np.int64)
    life, seat = life[seat > 0], seat[seat > 0]
    if not life.size:
        return []
    vehicle = lives.vehicle[life]
    names = found.group.rows.vehicles
    stated = {name: entry.cylinders for name, entry in fleet.settings.families.items()}
    family = np.full(names.size, "", dtype=object)
    family[vehicle] = found.group.family[life]
    highest = np.zeros(names.size, dtype=np.int64)
    np.maximum.at(highest, vehicle, seat)
    made: dict[tuple[str, int, bool], list[int]] = {}
    for code in np.unique(vehicle).tolist():
        count = 1 if pump else fleet.cylinders.get(str(names[code])) or stated.get(str(family[code]))
        width = max(int(highest[code]), count or 0)
        made.setdefault((str(family[code]), width, count is not None and width == count), []).append(code)
    newest = _newest(found)
    out = []
    for (name, width, counted), codes in sorted(made.items()):
        row_of = np.full(names.size, -1, dtype=np.int64)
        row_of[codes] = np.arange(len(codes))
        table = np.full((len(codes), width), -1, dtype=np.int64)
        mine = row_of[vehicle] >= 0
        table[row_of[vehicle[mine]], seat[mine] - 1] = life[mine]
        positions = (PUMP,) if pump else tuple(str(k + 1) for k in range(width))
        out.append(_made(found, fit, name, positions, counted, np.array(codes, dtype=np.int64), table, newest, fleet))
    return out


def _seat(position: str, pump: bool) -> int:
    """Column of a position, counted from 1; 0 for one that belongs to no set."""
    if pump:
        return int(position == PUMP)
    return int(position) if position.isdigit() else 0


def _made(
    found: Learned,
    fit: WearFit,
    family: str,
    positions: tuple[str, ...],
    counted: bool,
    vehicle: Ints,
    life: Ints,
    newest: Ints,
    fleet: FleetToday,
) -> VehicleSets:
    rows = found.group.rows
    known = life >= 0
    place = np.where(known, newest[life], -1)
    distance = np.where(known, rows.distance_km[place], -np.inf)
    offset = np.where(known, rows.distance_km[place] - rows.exposure_km[place], 0.0)
    start = distance.max(axis=1)
    now, reach = start.copy(), np.full(vehicle.size, np.nan)
    for k, code in enumerate(vehicle.tolist()):
        pace = fleet.pace(str(rows.vehicles[code]))
        if isinstance(pace, Usage):
            now[k] = max(pace.distance_now_km, start[k])
            reach[k] = REACH_YEARS * 365.25 * max(pace.km_per_day_high, pace.km_per_day)
    unit = float(fit.mixture().components[0].unit_exposure[0])
    reach = np.maximum(np.where(np.isnan(reach), REACH_SPANS * unit, reach), _LEAST_REACH_KM)
    new, suspect = _doubtful(found, fit, life, place)
    return VehicleSets(
        family=family,
        positions=positions,
        counted=counted,
        vehicle=vehicle,
        life=life,
        known=known,
        complete=np.asarray(known.all(axis=1) & counted, dtype=np.bool_),
        newest=place,
        start=start,
        now=now,
        offset=offset,
        ahead=reach[:, None] * SHARES,
        tested_on=np.where(known, rows.day[place], -(10**6)).max(axis=1),
        new=new,
        suspect=suspect,
    )


def _doubtful(found: Learned, fit: WearFit, life: Ints, newest: Ints) -> tuple[Flags, Flags]:
    """Which parts (M, L) are new, and which are under suspicion."""
    group, known = found.group, life >= 0
    rows = group.rows
    fitted = group.fitted
    pair = np.unique(np.stack([rows.life[fitted], rows.day[fitted]]), axis=1)[0]
    visits = np.bincount(pair, minlength=len(group.lives))[life]
    begun = known & ~rows.unknown_start[newest]
    new = begun & (visits == 1) & (np.where(known, visits, 0).max(axis=1, keepdims=True) > 1)
    doubted = np.zeros(len(rows), dtype=np.bool_)
    doubted[[int(fitted[one.index]) for one in fit.gross if one.weight < _SUSPECT]] = True
    return new, known & (doubted[newest] | (rows.bound[newest] < 0))


def _newest(found: Learned) -> Ints:
    """Place of every life's last reading in the fit, -1 where it has none."""
    group = found.group
    out = np.full(len(group.lives), -1, dtype=np.int64)
    out[group.rows.life[group.fitted]] = group.fitted  # readings of a life come in the order of time
    return out
