"""What the readings of a block say together about every part of it: level now and rate, jointly normal.

A part's level and rate, the level of a new part on its vehicle, and the vehicle's rate are linear in the effects; their
mean and covariance given all readings of the block follow from the same inverse that the likelihood uses, with the
uncertainty of the fixed effects added. Everything is on the working scale and under reference conditions.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace
from itertools import chain

import numpy as np
from numpy.typing import NDArray

from wearlab.wear.beyond import Spread
from wearlab.wear.blocks import Chunk, Floats, Ints
from wearlab.wear.covariance import LEAN, LEVEL, PATH, RATE, REPEAT, A, R, Structure, covariance, signal, structure
from wearlab.wear.data import WearData
from wearlab.wear.design import Problem
from wearlab.wear.evaluate import at_variances
from wearlab.wear.executor import ALONE, Executor
from wearlab.wear.inverse import inverse_of
from wearlab.wear.likelihood import Begun, Work
from wearlab.wear.local import Local
from wearlab.wear.scale import STRAIGHT, WorkingScale
from wearlab.wear.variances import Variances


@dataclass(frozen=True, slots=True, eq=False)
class Posterior:
    """Lives (L,) and vehicles (V,) given the readings, on the working scale; rates per working exposure 1.

    `level` is at `position`, the working exposure of the life's last reading; `fresh` is the level of a new part on
    the same vehicle. `part_level`, `part_rate`, `vehicle_level`, `vehicle_rate` are the predicted effects;
    `rate_of_vehicle` is the rate of the family and the vehicle together.
    """

    level: Floats
    rate: Floats
    var_level: Floats
    var_rate: Floats
    cov: Floats
    fresh: Floats
    var_fresh: Floats
    position: Floats
    part_level: Floats
    part_rate: Floats
    vehicle_level: Floats
    vehicle_rate: Floats
    rate_of_vehicle: Floats
    var_rate_of_vehicle: Floats

    def per(self, unit: float) -> Posterior:
        """Return the same with rates and positions per exposure, where working exposure 1 is `unit` of it."""
        return replace(
            self,
            rate=self.rate / unit,
            var_rate=self.var_rate / unit**2,
            cov=self.cov / unit,
            position=self.position * unit,
            part_rate=self.part_rate / unit,
            vehicle_rate=self.vehicle_rate / unit,
            rate_of_vehicle=self.rate_of_vehicle / unit,
            var_rate_of_vehicle=self.var_rate_of_vehicle / unit**2,
        )


@dataclass(frozen=True, slots=True, eq=False)
class Side:
    """Functionals of the lives of a chunk: covariance with the readings (m, f, n) and fixed part (m, f, q)."""

    reach: Floats
    fixed: Floats


def posterior(
    work: Work,
    local: tuple[Local, ...],
    theta: Floats,
    beta: Floats,
    covariance_beta: Floats,
    executor: Executor = ALONE,
) -> Posterior:
    """Return the posterior at variances theta (10,) and coefficients beta (p,) with their covariance (p, p)."""
    made = work.design.blocks
    out = {name: np.full(made.lives, np.nan) for name in _OF_LIFE}
    out |= {name: np.full(made.vehicles, np.nan) for name in _OF_VEHICLE}
    task = Posteriors(theta, beta, padded_of(covariance_beta))
    for chunk, told in zip(made.chunks, chain.from_iterable(executor.over(task, work, local)), strict=True):
        life, car = chunk.life[chunk.life >= 0], chunk.vehicle[chunk.vehicle >= 0]
        for name, values in told.items():
            out[name][life if name in _OF_LIFE else car] = values
    for name in ("var_level", "var_rate", "var_fresh"):
        out[name] = np.maximum(out[name], 0.0)
    return Posterior(**out)


#: fields of `Posterior` that have one entry a life, and one a vehicle
_OF_LIFE = (
    "level", "rate", "var_level", "var_rate", "cov", "fresh", "var_fresh", "position", "part_level", "part_rate"
)  # fmt: skip
_OF_VEHICLE = ("vehicle_level", "vehicle_rate", "rate_of_vehicle", "var_rate_of_vehicle")


def padded_of(covariance_beta: Floats) -> Floats:
    """Return the covariance of the coefficients with a last row and column of zeros, for padding."""
    return np.pad(covariance_beta, (0, 1))


@dataclass(frozen=True, slots=True, eq=False)
class Posteriors:
    """The posterior as a task: what it is of the lives and vehicles of each chunk, in the order of their places.

    `padded` (p + 1, p + 1) is the covariance of the coefficients with zeros for padding.
    """

    theta: Floats
    beta: Floats
    padded: Floats

    def begin(self, work: Work, local: tuple[Local, ...]) -> tuple[Begun, Kinds]:
        """Make ready what all chunks share."""
        return Begun.of(work, local), Kinds.of(work.design)

    def one(self, begun: tuple[Begun, Kinds], number: int) -> dict[str, Floats]:
        """Return the posterior of one chunk by the names of `Posterior`."""
        shared, kinds = begun
        theta, work, own = self.theta, shared.work, shared.local[number]
        design = work.design
        made = design.blocks
        chunk = made.chunks[number]
        s = structure(chunk, shared.readings, path=theta[PATH] > 0, repeat=theta[REPEAT] > 0)
        x = own.design(shared.values, *chunk.rows.shape)
        inverse, _ = inverse_of(covariance(s, theta))
        coefficients = own.at(self.beta)
        w = (inverse @ (shared.y[chunk.rows][:, :, None] - x @ coefficients[:, :, None]))[:, :, 0] * s.real
        true = signal(s, theta)
        level, rate, fresh = functionals(chunk, s, theta, true, x, own, kinds, design, made.life_vehicle)
        p_lives = chunk.life.shape[1]
        sides = [level, rate, fresh]
        reach = np.concatenate([side.reach for side in sides], axis=1)
        fixed = np.concatenate([side.fixed for side in sides], axis=1)
        spread = work.spread.get(number)
        mean, drop = given(reach, fixed, inverse, w, coefficients, x, self.padded, own, spread)
        at = np.arange(p_lives)
        x_last = np.take_along_axis(s.x, chunk.last, axis=1)
        v = home_slots(chunk, made.life_vehicle)
        gathered = np.take_along_axis(np.take_along_axis(s.thin(R), chunk.last[:, :, None], axis=1), v[:, :, None], 2)
        gathered = gathered[:, :, 0]
        prior_level = np.take_along_axis(np.einsum("mii->mi", true), chunk.last, axis=1)
        prior_cov = theta[R] * gathered + theta[LEAN] + theta[RATE] * x_last
        by_life = s.thin(LEVEL).swapaxes(1, 2)
        sums, leans = (by_life @ w[:, :, None])[:, :, 0], (by_life @ (s.x * w)[:, :, None])[:, :, 0]
        ok = chunk.life >= 0
        of_life = {
            "level": mean[:, at],
            "rate": mean[:, p_lives + at],
            "fresh": mean[:, 2 * p_lives + at],
            "var_level": prior_level + drop[:, at, at],
            "cov": prior_cov + drop[:, at, p_lives + at],
            "var_rate": theta[R] + theta[RATE] + drop[:, p_lives + at, p_lives + at],
            "var_fresh": theta[A] + theta[LEVEL] + drop[:, 2 * p_lives + at, 2 * p_lives + at],
            "position": x_last,
            "part_level": theta[LEVEL] * sums + theta[LEAN] * leans,
            "part_rate": theta[LEAN] * sums + theta[RATE] * leans,
        }
        wanted = _rate_rows(kinds, own, _family_of_vehicle(chunk, design))
        reach_v = theta[R] * s.thin(R).swapaxes(1, 2)
        mean_v, drop_v = given(reach_v, wanted, inverse, w, coefficients, x, self.padded, own, spread)
        diagonal = np.arange(chunk.vehicle.shape[1])
        good = chunk.vehicle >= 0
        of_vehicle = {
            "vehicle_level": theta[A] * (s.thin(A).swapaxes(1, 2) @ w[:, :, None])[:, :, 0],
            "vehicle_rate": theta[R] * (s.thin(R).swapaxes(1, 2) @ w[:, :, None])[:, :, 0],
            "rate_of_vehicle": mean_v,
            "var_rate_of_vehicle": theta[R] + drop_v[:, diagonal, diagonal],
        }
        return {name: values[ok] for name, values in of_life.items()} | {
            name: values[good] for name, values in of_vehicle.items()
        }

    def together(self, answers: Iterable[dict[str, Floats]]) -> list[dict[str, Floats]]:
        """Return the chunks of a run one after the other."""
        return list(answers)


@dataclass(frozen=True, slots=True, eq=False)
class Kinds:
    """Columns of the design by what they are; (p + 1,) with a place for padding."""

    level: NDArray[np.bool_]
    rate: NDArray[np.bool_]
    start: NDArray[np.bool_]
    step: NDArray[np.bool_]
    turn: NDArray[np.bool_]
    factor: NDArray[np.bool_]
    family: Ints

    @staticmethod
    def of(design: Problem) -> Kinds:
        """Sort the columns of a problem."""
        kind = [column.kind for column in design.columns] + [""]
        role = dict(zip(design.data.names, design.data.role, strict=True))
        factor = dict(zip(design.data.names, design.data.factor.tolist(), strict=True))
        is_covariate = [column.kind == "covariate" for column in design.columns] + [False]
        names = [column.name for column in design.columns] + [""]

        def marked(values: list[bool]) -> NDArray[np.bool_]:
            return np.array(values, dtype=np.bool_)

        return Kinds(
            level=marked([name in ("level", "family level") for name in kind]),
            rate=marked([name in ("rate", "family rate") for name in kind]),
            start=marked([name == "start" for name in kind]),
            step=marked([own and role[name] != "condition" for own, name in zip(is_covariate, names, strict=True)]),
            turn=marked([own and role[name] == "rate" for own, name in zip(is_covariate, names, strict=True)]),
            factor=marked([own and factor[name] for own, name in zip(is_covariate, names, strict=True)]),
            family=np.array([column.family for column in design.columns] + [-1], dtype=np.int64),
        )


def true_columns(kinds: Kinds, own: Local) -> NDArray[np.bool_]:
    """Return which local columns (m, q) belong to the true level, conditions left out."""
    lasting = kinds.level | kinds.rate | kinds.start | kinds.step
    return lasting[own.columns]


def functionals(
    chunk: Chunk,
    s: Structure,
    theta: Floats,
    true: Floats,
    x: Floats,
    own: Local,
    kinds: Kinds,
    design: Problem,
    life_vehicle: Ints,
) -> tuple[Side, Side, Side]:
    """Level now, rate, and level of a new part on the same vehicle, for every life of the chunk."""
    v = home_slots(chunk, life_vehicle)
    last = chunk.last[:, :, None]
    rows = np.take_along_axis(x, last, axis=1) * true_columns(kinds, own)[:, None, :]
    level = Side(np.take_along_axis(true, last, axis=1), rows)
    by_life = s.thin(LEVEL).swapaxes(1, 2)
    gathered = np.take_along_axis(s.thin(R), v[:, None, :], axis=2).swapaxes(1, 2)
    here = np.take_along_axis(s.thin(A), v[:, None, :], axis=2).swapaxes(1, 2)
    reach = theta[R] * gathered + by_life * (theta[LEAN] + theta[RATE] * s.x[:, None, :])
    family = np.append(design.data.family, -1)[np.take_along_axis(chunk.rows, chunk.last, axis=1)]
    wanted = _rate_rows(kinds, own, family)
    turning = kinds.turn[own.columns][:, None, :] & (np.take_along_axis(x, last, axis=1) != 0)
    unit = design.span**design.scale.gamma
    slope = np.append(design.log_slope, 0.0)[np.take_along_axis(chunk.rows, chunk.last, axis=1)]
    per = np.where(kinds.factor[own.columns][:, None, :], slope[:, :, None], 1.0) * unit
    rate = Side(reach, wanted + turning * per)
    flat = np.where(kinds.level[own.columns][:, None, :], _of_family(kinds, own, family), 0.0)
    fresh = Side(theta[A] * here, flat)
    return level, rate, fresh


def _of_family(kinds: Kinds, own: Local, family: Ints) -> Floats:
    """Return 1 where a column is common or of the family: (m, f, q) for families (m, f)."""
    of = kinds.family[own.columns][:, None, :]
    out: Floats = ((of < 0) | (of == family[:, :, None])).astype(np.float64)
    return out


def _rate_rows(kinds: Kinds, own: Local, family: Ints) -> Floats:
    out: Floats = np.where(kinds.rate[own.columns][:, None, :], _of_family(kinds, own, family), 0.0)
    return out


def home_slots(chunk: Chunk, life_vehicle: Ints) -> Ints:
    """Return, for every life (m, P), the place of its present vehicle in the block."""
    if chunk.vehicle.shape[1] == 1:
        return np.zeros(chunk.life.shape, dtype=np.int64)
    home = np.where(chunk.life >= 0, life_vehicle[chunk.life], -2)
    return np.asarray(np.argmax(chunk.vehicle[:, None, :] == home[:, :, None], axis=2), dtype=np.int64)


def _family_of_vehicle(chunk: Chunk, design: Problem) -> Ints:
    """Return the family of each vehicle's first reading, (m, V)."""
    vehicle = np.append(design.data.vehicle, -1)[chunk.rows]
    first = np.argmax(vehicle[:, :, None] == chunk.vehicle[:, None, :], axis=1)
    out: Ints = np.append(design.data.family, -1)[np.take_along_axis(chunk.rows, first, axis=1)]
    return out


def given(
    reach: Floats,
    fixed: Floats,
    inverse: Floats,
    w: Floats,
    coefficients: Floats,
    x: Floats,
    covariance_beta: Floats,
    own: Local,
    spread: Spread | None,
) -> tuple[Floats, Floats]:
    """Return mean (m, f) of functionals, and what the readings take from or beta adds to their covariance."""
    mean = (reach @ w[:, :, None] + fixed @ coefficients[:, :, None])[:, :, 0]
    pulled = reach @ inverse
    change = -(pulled @ reach.swapaxes(1, 2))
    if spread is not None:
        side = np.take_along_axis(pulled[spread.block], spread.place[:, None, :], axis=2)
        change[spread.block] += side @ spread.covariance @ side.swapaxes(1, 2)
    if own.columns.shape[1]:
        error = covariance_beta[own.columns[:, :, None], own.columns[:, None, :]]
        rest = fixed - pulled @ x
        change += rest @ error @ rest.swapaxes(1, 2)
    return mean, change


def posterior_at(
    data: WearData, variances: Variances, scale: WorkingScale = STRAIGHT, *, flat: bool = True
) -> Posterior:
    """Return the posterior at given variances; levels on the working scale, rates per exposure as given."""
    work, local, theta, found = at_variances(data, variances, scale, flat=flat)
    made = posterior(work, local, theta, found.beta, found.covariance)
    return made.per(work.design.span**scale.gamma)
