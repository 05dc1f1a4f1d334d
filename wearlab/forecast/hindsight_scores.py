"""Scores of the forecasts of hidden readings, and of the crossings among them, for the wear model and its rivals."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from wearlab.forecast.hindsight import Held
from wearlab.forecast.passage import passage
from wearlab.forecast.rivals import RIVALS, Histories, student_pit, student_quantiles
from wearlab.forecast.scores import covered, crps_quantiles, pit_histogram
from wearlab.language import msg
from wearlab.wear.results import last_exposure

Array = NDArray[np.float64]
Ints = NDArray[np.int64]
Flags = NDArray[np.bool_]

MODEL = msg("wear model")
_GRID = np.linspace(0.005, 0.995, 100)


@dataclass(frozen=True, slots=True)
class ReadingScore:
    """How forecasts of `n` hidden readings of `vehicles` vehicles did, in the unit of the readings.

    `coverage_50`, `coverage_80`, `coverage_90` shares inside the central intervals; `crps` mean score, `error` median
    distance from the middle, `bias` mean of the reading minus the middle, `width_90` median width; `pit` counts of ten
    equal parts.
    """

    forecast: str
    n: int
    vehicles: int
    coverage_50: float
    coverage_80: float
    coverage_90: float
    crps: float
    error: float
    bias: float
    width_90: float
    pit: tuple[int, ...]


@dataclass(frozen=True, slots=True)
class CrossingOutcome:
    """What became of parts whose limit lay ahead at their last known test.

    `inside` crossed and `early` crossed before the 90 % interval begins; `late` did not, though it is over; `open` is
    not decided yet: the part was read short of its limit and its interval goes on. `pulled` parts were not tested
    again. `expected` readings past the limit were forecast among the tested, `read_past` came; `brier` is the mean
    squared distance of those chances from what came, `rivals` the same of each rival.
    """

    parts: int
    inside: int
    early: int
    late: int
    open: int
    pulled: int
    expected: float
    read_past: int
    brier: float | None
    rivals: dict[str, float]


def reading_scores(held: Held, use: Flags | None = None, factor: float = 1.0) -> tuple[ReadingScore, ...]:
    """Score the model, its sd multiplied by `factor`, and the rivals on the readings `use` (m,), default all.

    A rival that is silent on a reading (a line needs three readings) is scored on the others.
    """
    chosen = np.ones(held.y.size, dtype=np.bool_) if use is None else use
    if not chosen.any():
        return ()
    law = held.law.scaled(factor)
    told = law.quantiles((0.05, 0.5, 0.95))
    made = [
        _score(MODEL, held, chosen, law.below(held.y), law.crps(held.y), told[1], told[2] - told[0]),
    ]
    known, part = histories(held), held.part
    for name in RIVALS:
        law_of = known.reading(name, part, held.data.exposure[held.row])
        told = student_quantiles(*law_of, (0.05, 0.5, 0.95)).T
        silent = ~np.isfinite(told).all(axis=0)
        if (silent | ~chosen).all():
            continue
        pit, values = student_pit(*law_of, held.y), student_quantiles(*law_of, _GRID)
        crps = np.full(held.y.size, np.nan)
        crps[~silent] = crps_quantiles(_GRID, values[~silent], held.y[~silent])
        made.append(_score(name, held, chosen & ~silent, pit, crps, told[1], told[2] - told[0]))
    return tuple(made)


def histories(held: Held) -> Histories:
    """Return what the rivals know: the fitted readings that were measured, a part whose readings are bounds by them."""
    data = held.fit.data
    family = np.zeros(data.part_label.size, dtype=np.int64)
    family[data.part] = data.family
    return Histories(data.exposure, data.y, data.part, family)


def crossing_outcome(held: Held, limit: Array, sign: Array, pulled: int, factor: float = 1.0) -> CrossingOutcome:
    """Follow the parts of the hidden readings towards their limits (m,), NaN for none; `sign` (m,) +1 above, -1 below.

    A part with a known reading past its limit is left out: it lies behind. `pulled` is handed on.
    """
    known, part = histories(held), held.part
    last = known.y[known.last[part]]
    x = held.data.exposure[held.row]
    ahead = np.flatnonzero(np.isfinite(limit) & (sign * (last - limit) < 0))
    if not ahead.size:
        return CrossingOutcome(0, 0, 0, 0, 0, pulled, 0.0, 0, None, {})
    bar, side = limit[ahead], sign[ahead]
    before = last_exposure(held.fit.data)[part[ahead]]
    mixture = held.fit.mixture().scaled(factor)
    low, high = passage(mixture, part[ahead], bar, side, before, (0.05, 0.95)).quantiles
    past = side * (held.y[ahead] - bar) >= 0
    law = held.law.scaled(factor)
    below = law.below(np.where(np.isfinite(limit), limit, held.y))[ahead]
    chance = np.where(side > 0, 1 - below, below)
    rivals = {}
    for name in RIVALS:
        told = known.reading(name, part[ahead], x[ahead])
        under = student_pit(*told, bar)
        guess = np.where(side > 0, 1 - under, under)
        heard = np.isfinite(guess)
        if heard.any():
            rivals[name] = float(np.mean((guess[heard] - past[heard]) ** 2))
    return CrossingOutcome(
        parts=int(ahead.size),
        inside=int((past & (low <= x[ahead])).sum()),
        early=int((past & (low > x[ahead])).sum()),
        late=int((~past & (high < x[ahead])).sum()),
        open=int((~past & (high >= x[ahead])).sum()),
        pulled=pulled,
        expected=float(chance.sum()),
        read_past=int(past.sum()),
        brier=float(np.mean((chance - past) ** 2)),
        rivals=rivals,
    )


def not_tested_again(held: Held) -> Ints:
    """Return the parts (places in the data's labels) known and measured at the vehicle's last known visit, but not at
    the hidden one: pulled, or left out of the test."""
    data = held.data
    hidden_vehicle = np.unique(data.vehicle[~held.known])
    seen = np.flatnonzero(held.known & np.isin(data.vehicle, hidden_vehicle))
    latest = np.zeros(data.vehicle_label.size, dtype=np.int64)
    np.maximum.at(latest, data.vehicle[seen], data.turn[seen])
    at_last = seen[data.turn[seen] == latest[data.vehicle[seen]]]
    return np.setdiff1d(data.part[at_last], data.part[~held.known])


def _score(name: str, held: Held, use: Flags, pit: Array, crps: Array, middle: Array, width: Array) -> ReadingScore:
    u, off = np.clip(pit[use], 0.0, 1.0), held.y[use] - middle[use]
    fifty, eighty, ninety = (float(covered(u, c).mean()) for c in (0.5, 0.8, 0.9))
    return ReadingScore(
        forecast=name,
        n=int(use.sum()),
        vehicles=int(np.unique(held.vehicle[use]).size),
        coverage_50=fifty,
        coverage_80=eighty,
        coverage_90=ninety,
        crps=float(crps[use].mean()),
        error=float(np.median(np.abs(off))),
        bias=float(off.mean()),
        width_90=float(np.median(width[use])),
        pit=tuple(int(count) for count in pit_histogram(u)),
    )
