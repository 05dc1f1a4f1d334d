"""What might go with wear, as columns: words and numbers centred within their family, and their exposure.

Every candidate is told for every reading: what held of its vehicle or part on the way there from the test before. So a
vehicle that changed its depot counts under both, each with what was driven there. People are never a candidate.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from wearlab.errors import InputError
from wearlab.language import _, localised, number

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

#: A word said of fewer vehicles says more about these vehicles than about the word.
FEWEST_VEHICLES = 5
#: A candidate that is known for a smaller share of the vehicles is not asked about.
LEAST_KNOWN = 0.5
#: Numbers further than this from their median, in robust standard deviations, count as if they were there.
REACH = 3.5
#: Sd of normal numbers over their median absolute deviation.
ROBUST = 1.4826
#: Candidates whose columns explain one another to this share are one candidate.
SAME = 0.98
#: Flags that spread less than this within the families say nothing beside the family (a flag of half has 0.5).
LEAST_SPREAD = 0.05
OTHER = "other"


@dataclass(frozen=True, slots=True, eq=False)
class Candidate:
    """One candidate: `value` (n,) words, "" where not known, or numbers in `unit`, NaN where not known.

    `missing` says why values are not known, where more is known of that than that nothing was recorded.
    """

    name: str
    value: NDArray[Any]
    unit: str = ""
    missing: str = ""

    @property
    def is_number(self) -> bool:
        """Whether it is a number and not a word."""
        return bool(np.asarray(self.value).dtype.kind == "f")


@dataclass(frozen=True, slots=True, eq=False)
class CodedCandidate:
    """A candidate as columns.

    `columns` (n, k), centred within each family's lives; what is not known counts as the family's average.
    `contrasts` (E, k) lead from the k coefficients to the E effects told: of every word against the average of the
    lives, or of one standard deviation `step` of a number. `labels` (E,) name them; `vehicles` (E,) counts who stands
    behind each. `known` is the share of vehicles with a value.
    """

    name: str
    unit: str
    columns: Floats
    contrasts: Floats
    labels: tuple[str, ...]
    vehicles: tuple[int, ...]
    step: float | None
    known: float
    raw: NDArray[Any]


@dataclass(frozen=True, slots=True, eq=False)
class LeftOut:
    """A candidate that was not asked about, and why."""

    name: str
    reason: str


@dataclass(frozen=True, slots=True, eq=False)
class Frame:
    """Whose readings they are; arrays (n,) of codes from 0. `life` is one life of one part."""

    vehicle: Ints
    life: Ints
    family: Ints

    @property
    def first(self) -> Ints:
        """Place of one reading of every life, (L,)."""
        return np.unique(self.life, return_index=True)[1].astype(np.int64)

    def per_life(self, values: Floats) -> Floats:
        """Return the mean of columns (n, k) over each life's readings, (L, k)."""
        lives = int(self.life.max()) + 1
        total = np.zeros((lives, values.shape[1]))
        np.add.at(total, self.life, values)
        return total / np.maximum(np.bincount(self.life, minlength=lives), 1)[:, None]


def code_candidates(
    candidates: Sequence[Candidate], frame: Frame
) -> tuple[tuple[CodedCandidate, ...], tuple[LeftOut, ...]]:
    """Return the candidates as columns, and those that cannot be asked about.

    Raises
    ------
    InputError
        A candidate has another number of values than there are readings, or two have one name.
    """
    n = frame.vehicle.size
    names = [one.name for one in candidates]
    if len(set(names)) < len(names):
        raise InputError("two candidates have one name")
    made: list[CodedCandidate] = []
    left: list[LeftOut] = []
    for one in candidates:
        if np.asarray(one.value).shape != (n,):
            raise InputError(f"{one.name}: one value a reading is needed, shape ({n},)")
        found = _number(one, frame) if one.is_number else _words(one, frame)
        if isinstance(found, CodedCandidate):
            twin = next((other.name for other in made if _same(found, other)), None)
            if twin is not None:
                found = LeftOut(
                    one.name, _("it cannot be told from {other}: who has the one has the other", other=twin)
                )
        if isinstance(found, CodedCandidate):
            made.append(found)
        else:
            left.append(found)
    return tuple(made), tuple(left)


def gathered(columns: Floats, exposure: Floats, life: Ints, turn: Ints) -> Floats:
    """Return what columns (n, k) gather over exposure (n,) along each life: the sum of column times what was added.

    `turn` (n,) orders the readings of a life; before its first one a life was what it is there.
    """
    order = np.lexsort((exposure, turn, life))
    fresh = np.diff(life[order], prepend=-1) != 0
    added = np.where(fresh, exposure[order], np.diff(exposure[order], prepend=0.0))
    total = np.cumsum(columns[order] * added[:, None], axis=0)
    start = np.flatnonzero(fresh)
    before = np.vstack([np.zeros((1, columns.shape[1])), total])[start]
    out = np.empty_like(total)
    out[order] = total - np.repeat(before, np.diff(start, append=life.size), axis=0)
    return out


def _words(one: Candidate, frame: Frame) -> CodedCandidate | LeftOut:
    words = np.asarray(one.value).astype(str)
    told = words != ""
    known = _share_known(told, frame)
    if known < LEAST_KNOWN:
        return LeftOut(one.name, one.missing or _little(known))
    count = {word: np.unique(frame.vehicle[words == word]).size for word in np.unique(words[told])}
    rare = [word for word, vehicles in count.items() if vehicles < FEWEST_VEHICLES]
    if rare:
        pooled = np.isin(words, rare)
        enough = len(rare) > 1 and np.unique(frame.vehicle[pooled]).size >= FEWEST_VEHICLES
        words = np.where(pooled, OTHER if enough else "", words)
        told = words != ""
    labels = np.unique(words[told])
    if labels.size < 2:
        return LeftOut(one.name, _("fewer than two values with {n} vehicles each", n=FEWEST_VEHICLES))
    flags = (words[:, None] == labels[None, :]).astype(np.float64)
    vehicles = [np.unique(frame.vehicle[flags[:, k] > 0]).size for k in range(labels.size)]
    base = int(np.argmax(vehicles))
    free = [k for k in range(labels.size) if k != base]
    columns = _centred(flags[:, free], told, frame)
    if not _apart(columns):
        # a word whose bearers are all of a family, and all of it, has that family's rate
        return LeftOut(one.name, _("within a family it is nearly the same for every vehicle"))
    share = frame.per_life(flags)[frame.per_life(told[:, None].astype(np.float64))[:, 0] > 0].mean(axis=0)
    contrasts = (np.eye(labels.size) - share[None, :])[:, free]
    return CodedCandidate(
        one.name, one.unit, columns, contrasts, tuple(map(str, labels)), tuple(vehicles), None, known, words
    )


def _number(one: Candidate, frame: Frame) -> CodedCandidate | LeftOut:
    values = np.asarray(one.value, dtype=np.float64)
    told = np.isfinite(values)
    known = _share_known(told, frame)
    if known < LEAST_KNOWN:
        return LeftOut(one.name, one.missing or _little(known))
    middle = float(np.median(values[told]))
    spread = ROBUST * float(np.median(np.abs(values[told] - middle))) or float(np.std(values[told]))
    clipped = np.clip(np.where(told, values, middle), middle - REACH * spread, middle + REACH * spread)
    columns = _centred(clipped[:, None], told, frame)
    step = float(np.sqrt(np.mean(frame.per_life(columns) ** 2)))
    if not step > 1e-6 * max(abs(middle), 1e-300):
        return LeftOut(one.name, _("it is nearly the same for every vehicle"))
    label = _("{amount} more", amount=f"{_figure(step)} {one.unit}".strip())
    vehicles = np.unique(frame.vehicle[told]).size
    raw = np.where(told, clipped, np.nan)
    return CodedCandidate(one.name, one.unit, columns / step, np.ones((1, 1)), (label,), (vehicles,), step, known, raw)


def _centred(columns: Floats, told: NDArray[np.bool_], frame: Frame) -> Floats:
    """Subtract each family's mean over its lives; what is not told becomes 0."""
    out = np.where(told[:, None], columns, 0.0)
    counted = np.where(told[:, None], columns, np.nan)
    for family in np.unique(frame.family):
        here = (frame.family == family) & told
        if here.any():
            lives = np.unique(frame.life[here], return_inverse=True)[1]
            number = np.bincount(lives)
            means = np.stack([np.bincount(lives, counted[here, k]) / number for k in range(columns.shape[1])], axis=1)
            out[here] -= means.mean(axis=0)
    return out


def _apart(columns: Floats) -> bool:
    """Whether columns (n, k) of flags still say k things within the families."""
    values = np.linalg.svd(columns / np.sqrt(columns.shape[0]), compute_uv=False)
    return bool(values.size == columns.shape[1] and values.min() > LEAST_SPREAD)


def _same(one: CodedCandidate, other: CodedCandidate) -> bool:
    """Whether the columns of one are explained by those of another."""
    y, x = one.columns, other.columns
    left = y - x @ np.linalg.lstsq(x, y, rcond=None)[0]
    return bool((np.sum(left**2, axis=0) <= (1 - SAME) * np.sum(y**2, axis=0)).all())


def _share_known(told: NDArray[np.bool_], frame: Frame) -> float:
    return float(np.unique(frame.vehicle[told]).size / np.unique(frame.vehicle).size)


def _little(known: float) -> str:
    if known == 0:
        return _("nothing is recorded of it")
    return _("it is recorded for {percent} % of the vehicles only", percent=number(100 * known))


def _figure(value: float) -> str:
    return localised(f"{value:,.0f}" if abs(value) >= 100 else f"{value:.2g}")
