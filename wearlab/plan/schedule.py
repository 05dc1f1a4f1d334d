"""The choice of one option a vehicle that is cheapest for the fleet under its rules, by mixed-integer programming.

Minimise sum over options of objective times x, x in {0, 1}, one x = 1 a vehicle, under the rows of the rules. The bound
that the search proved comes with the answer, and so does the gap to it. Where no choice keeps all rules, each rule is
dropped alone to see whether it is the one, and the least is found by which it would have to give alone (an elastic
row: matrix x - slack <= most, the sum of slacks least).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from time import perf_counter
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import Bounds, LinearConstraint, milp
from scipy.sparse import csr_array, eye_array, hstack

from wearlab.errors import InputError
from wearlab.language import _, localised
from wearlab.plan.option import Option
from wearlab.plan.quiet import native_output_to_error
from wearlab.plan.rules import Name, Rows, Rules, rows_of
from wearlab.records import NoAnswer

Array = NDArray[np.float64]

UNIT: dict[Name, str] = {"bay hours": "h", "budget": "money", "apart": "vehicles", "most chance": "chance"}

# what scipy says of a finished search
_PROVEN, _LIMIT, _IMPOSSIBLE = 0, 1, 2
#: slacks below this are rounding
_TINY = 1e-6


@dataclass(frozen=True, slots=True, eq=False)
class Schedule:
    """One option a vehicle, in the order given.

    `objective` is their sum, `bound` what no plan can go below, `gap` = (objective - bound) / |objective|, 0 where both
    are 0; `proven`: the search ended by itself within the gap asked for, not by its time. `best_alone` (V,): the
    vehicle has the option that is best for it alone, so that no rule held it back.
    """

    chosen: tuple[Option, ...]
    objective: float
    bound: float
    gap: float
    proven: bool
    seconds: float
    best_alone: tuple[bool, ...]


@dataclass(frozen=True, slots=True)
class Bite:
    """One rule of an impossible plan: whether a plan exists without it, and the least by which it has to give, alone.

    `least` is summed over `places`; for the greatest chance it is how far that must rise at least. None: not found.
    """

    rule: Name
    enough: bool
    least: float | None
    unit: str
    places: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Infeasible:
    """No choice keeps all rules; `bites` has every stated rule, those first that are enough alone."""

    bites: tuple[Bite, ...]


def schedule(
    options: Sequence[Sequence[Option]], rules: Rules, *, seconds: float = 40.0, gap: float = 1e-3
) -> Schedule | Infeasible | NoAnswer:
    """Choose one option a vehicle.

    Parameters
    ----------
    options
        By vehicle, at least one each.
    seconds, gap
        The search ends after this time, or when it has proved that no plan is better by more than this share.

    `NoAnswer`: the time was over before any plan was found.

    Raises
    ------
    InputError
        A vehicle has no option.
    """
    if any(not own for own in options):
        raise InputError("every vehicle needs an option, if only to be left alone")
    begun = perf_counter()
    flat = [one for own in options for one in own]
    if not flat:
        return Schedule((), 0.0, 0.0, 0.0, True, 0.0, ())
    owner = np.repeat(np.arange(len(options)), [len(own) for own in options])
    cost = np.array([one.objective for one in flat], dtype=np.float64)
    one_each = csr_array((np.ones(owner.size), (owner, np.arange(owner.size))), shape=(len(options), owner.size))
    found = _solve(cost, one_each, rows_of(flat, rules), seconds, gap)
    if found.status == _IMPOSSIBLE:
        return Infeasible(_bites(flat, one_each, rules, seconds))
    if found.x is None:
        return NoAnswer(
            _(
                "no plan was found within {seconds} s: give it more time or fewer vehicles",
                seconds=localised(f"{seconds:g}"),
            )
        )
    picked = np.flatnonzero(found.x > 0.5)
    chosen = tuple(flat[at] for at in picked.tolist())
    total = float(cost[picked].sum())
    bound = min(total if found.mip_dual_bound is None else float(found.mip_dual_bound) * _size(cost), total)
    best = np.full(len(options), np.inf)
    np.minimum.at(best, owner, cost)
    slack = 1e-9 * np.maximum(np.abs(best), 1.0)
    return Schedule(
        chosen=chosen,
        objective=total,
        bound=bound,
        gap=(total - bound) / abs(total) if total else 0.0,
        proven=found.status == _PROVEN,
        seconds=perf_counter() - begun,
        best_alone=tuple((cost[picked] <= best + slack).tolist()),
    )


def _solve(cost: Array, one_each: csr_array, rows: Sequence[Rows], seconds: float, gap: float) -> Any:
    """Return what scipy says of the whole problem, its objective in units of the largest cost.

    Rows are divided by their size: the search takes 1e-6 of a whole for rounding, of a row in money too little to see.
    """
    limits = [LinearConstraint(one_each, 1.0, 1.0)]
    limits += [LinearConstraint(one.matrix, -np.inf, one.most) for one in map(_scaled, rows) if one.most.size]
    with native_output_to_error():
        return milp(
            cost / _size(cost),
            integrality=np.ones(cost.size),
            bounds=Bounds(0.0, 1.0),
            constraints=limits,
            options={"time_limit": seconds, "mip_rel_gap": gap},
        )


def _size(cost: Array) -> float:
    return float(np.abs(cost).max(initial=0.0)) or 1.0


def _scaled(rows: Rows) -> Rows:
    """Divide every row by its bound, or by its largest entry where that is more."""
    size = np.maximum(np.abs(rows.most), abs(rows.matrix).max(axis=1).toarray().ravel() if rows.most.size else 0.0)
    size = np.where(size > 0, size, 1.0)
    return replace(rows, matrix=csr_array(rows.matrix.multiply(1.0 / size[:, None])), most=rows.most / size)


def _bites(flat: list[Option], one_each: csr_array, rules: Rules, seconds: float) -> tuple[Bite, ...]:
    found = []
    stated = rules.stated
    for name in stated:
        share = seconds / (2 * len(stated))
        nothing = np.zeros(len(flat))
        enough = _solve(nothing, one_each, rows_of(flat, rules.without(name)), share, 1.0).status == _PROVEN
        least, places = _elastic(flat, one_each, rules, name, share) if enough else (None, ())
        found.append(Bite(name, enough, least, UNIT[name], places))
    return tuple(sorted(found, key=lambda one: not one.enough))


def _elastic(
    flat: list[Option], one_each: csr_array, rules: Rules, name: Name, seconds: float
) -> tuple[float | None, tuple[str, ...]]:
    """Return the least sum by which one rule has to give with all others kept, and where.

    The cap on the chance gives by one amount for all vehicles.
    """
    every = rows_of(flat, rules)
    soft = next(one for one in every if one.name == name)
    count = soft.most.size
    shared = name == "most chance"
    slack = csr_array(np.ones((count, 1))) if shared else eye_array(count, format="csr")
    width = 1 if shared else count
    limits = [
        LinearConstraint(hstack([one_each, csr_array((one_each.shape[0], width))], format="csr"), 1.0, 1.0),
        LinearConstraint(hstack([soft.matrix, -slack], format="csr"), -np.inf, soft.most),
    ]
    for one in every:
        if one.name != name and one.most.size:
            wide = hstack([one.matrix, csr_array((one.most.size, width))], format="csr")
            limits.append(LinearConstraint(wide, -np.inf, one.most))
    size = len(flat)
    with native_output_to_error():
        found = milp(
            np.concatenate([np.zeros(size), np.ones(width)]),
            integrality=np.concatenate([np.ones(size), np.zeros(width)]),
            bounds=Bounds(0.0, np.concatenate([np.ones(size), np.full(width, np.inf)])),
            constraints=limits,
            options={"time_limit": seconds, "mip_rel_gap": 1e-4},
        )
    if found.x is None:
        return None, ()
    given = found.x[size:]
    over = soft.matrix @ np.round(found.x[:size]) - soft.most
    places = tuple(place for place, much in zip(soft.places, over.tolist(), strict=True) if much > _TINY)
    return float(given.sum()), places
