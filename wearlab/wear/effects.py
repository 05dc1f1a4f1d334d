"""Which effects the tests of a group can tell apart; the others are merged, and said so."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass

import numpy as np

from wearlab.language import _, percent
from wearlab.wear.blocks import Floats, Ints
from wearlab.wear.design import Problem
from wearlab.wear.variances import INDEX, Coordinates

#: Fewest lives, vehicles or visits from which a spread between them is estimated.
FEWEST = 3


@dataclass(frozen=True, slots=True)
class Told:
    """The effects to be estimated, starting variances (10,), and what was merged or assumed, in sentences."""

    coordinates: Coordinates
    start: tuple[float, ...]
    notes: tuple[str, ...]
    error_assumed: bool


@dataclass(frozen=True, slots=True)
class _Counts:
    vehicles: int
    vehicles_with_lives: int
    vehicles_with_visits: int
    lives: int
    lives_with_readings: int
    lives_twice: int
    lives_thrice: int
    shared_visits: int
    repeats: int
    unknown: int
    known: int


def _counts(design: Problem) -> _Counts:
    made, data = design.blocks, design.data
    lives = made.lives
    per_life = np.bincount(made.life, minlength=lives)
    places = _distinct(made.life, design.x)
    visits_of_life = _distinct(made.life, data.visit)
    tested = np.minimum(places, visits_of_life)
    pair = np.unique(data.vehicle * lives + made.life)
    lives_of_vehicle = np.bincount(pair // lives, minlength=made.vehicles)
    cell = np.unique(made.life * (int(data.visit.max()) + 1) + data.visit, return_counts=True)[1]
    lives_at_visit = _distinct(data.visit, made.life)
    unknown = np.zeros(lives, dtype=np.bool_)
    unknown[made.life] = made.unknown_start
    return _Counts(
        vehicles=made.vehicles,
        vehicles_with_lives=int(np.sum(lives_of_vehicle > 1)),
        vehicles_with_visits=int(np.sum(_distinct(data.vehicle, data.visit) > 1)),
        lives=lives,
        lives_with_readings=int(np.sum(per_life > 1)),
        lives_twice=int(np.sum(tested > 1)),
        lives_thrice=int(np.sum(tested > 2)),
        shared_visits=int(np.sum(lives_at_visit > 1)),
        repeats=int(np.sum(cell > 1)),
        unknown=int(unknown.sum()),
        known=int((~unknown).sum()),
    )


def _distinct(group: Ints, value: Floats | Ints) -> Ints:
    """Return how many distinct values each group has."""
    code = np.unique(value, return_inverse=True)[1]
    width = int(code.max()) + 1
    pair = np.unique(group * width + code)
    return np.bincount(pair // width, minlength=int(group.max()) + 1).astype(np.int64)


def told_apart(design: Problem, spread: float, *, penalty: bool, without: Collection[str] = ()) -> Told:
    """Return which effects are estimated; `spread` is the residual sd of y about the fixed effects.

    Without penalty (for comparison with other programs) nothing is assumed: what cannot be told apart is merged into
    the reading error.
    """
    c = _counts(design)
    notes: list[str] = []
    several = c.vehicles_with_lives >= 2 and c.vehicles > 2
    on = {
        "vehicle_level": several,
        "vehicle_rate": several and c.vehicles_with_visits >= FEWEST,
        "part_level": c.lives > 1 and (c.lives_with_readings > 0 or penalty),
        "part_rate": c.lives > 1
        and (c.lives_thrice >= min(FEWEST, c.lives) or (c.repeats >= FEWEST and c.lives_twice >= FEWEST)),
        "start": penalty and c.unknown >= FEWEST and c.known >= 1,
        "path": c.lives_thrice >= FEWEST,
        "visit": c.shared_visits >= FEWEST and c.vehicles_with_visits >= FEWEST,
        "repeat": c.repeats >= FEWEST and c.lives_twice >= FEWEST,
        "error": True,
    }
    if not several:
        notes.append(
            _("level and rate of vehicle and part are told as one: the tests show one part a vehicle")
            if c.vehicles > 2
            else _("level and rate of vehicle and part are told as one: there are too few vehicles to compare")
        )
    if c.shared_visits == 0:
        notes.append(_("what one visit's readings share is told with the reading error: no visit has two parts"))
    elif not on["visit"]:
        notes.append(_("what one visit's readings share is told with the other effects: too few visits have two parts"))
    if not on["repeat"]:
        notes.append(_("hose, tube and reading error are told as one: hardly a part was read twice at one visit"))
    if not on["path"]:
        notes.append(
            _("wear that does not run straight is told with the reading error: too few parts have three tests")
        )
    if not on["part_rate"]:
        notes.append(_("how much rates differ between parts cannot be told: too few parts were tested often enough"))
    for name in without:
        on[name] = False
    if "part_covariance" in without or "correlation" in without:
        on["pair"] = False
    none_twice = c.lives_with_readings == 0
    used_up = design.n <= int(np.sum(design.precision == 0))  # the fixed effects leave nothing that could spread
    silent = penalty and (none_twice or used_up)
    if penalty and used_up:
        on = dict.fromkeys(on, False)
    held = np.zeros(len(INDEX))
    if silent:
        relative = design.data.source.relative_error
        typical = float(np.median(design.log_slope)) or float(np.mean(design.log_slope)) or 1.0
        held[INDEX["error"]] = (relative * typical) ** 2
        on["error"] = False
        why = _("no reading is left over to tell it from") if used_up else _("no part was read twice")
        notes.append(
            _("{why}: a reading error of {share} and the graduation is assumed", why=why, share=percent(relative))
        )
    pair = on["part_level"] and on["part_rate"] and on.get("pair", True)
    scalars = tuple(
        name for name in INDEX if on.get(name, False) and not (pair and name in ("part_level", "part_rate"))
    )
    return Told(
        coordinates=Coordinates(scalars, pair, tuple(held)),
        start=tuple(_start(design, _plausible(design, spread) if penalty else spread, on, held)),
        notes=tuple(notes),
        error_assumed=silent,
    )


def _plausible(design: Problem, spread: float) -> float:
    """Return a residual sd to start from: where the fixed effects fit exactly, theirs says nothing of the readings."""
    most = float(np.std(design.y)) or design.data.source.relative_error * (float(np.mean(design.log_slope)) or 1.0)
    return min(max(spread, 1e-3 * most), most)


def _start(design: Problem, spread: float, on: dict[str, bool], held: Floats) -> Floats:
    """Share the residual variance out over the effects that are there."""
    reach = float(np.mean(design.x**2)) or 1.0
    path = float(np.mean(np.abs(design.x))) or 1.0
    share = {
        "vehicle_level": 0.15,
        "vehicle_rate": 0.08 / reach,
        "part_level": 0.25,
        "part_rate": 0.08 / reach,
        "start": 0.15,
        "path": 0.05 / path,
        "visit": 0.08,
        "repeat": 0.08,
        "error": 0.25,
    }
    out = held.copy()
    for name, part in share.items():
        if on[name]:
            out[INDEX[name]] = part * spread**2
    return out
