"""Run lengths of run rules.

Zone rules: a Markov chain whose states remember, for every rule and side, which of the last readings were in its zone,
as far as they can still bring the rule about (Champ & Woodall, Technometrics 29 (1987) 393-399).

Sequence rules: only the order of readings matters, so each is taken as uniform on 0 to 1. The chain follows how long
the present rise or fall has lasted, together with the density of the last value, a polynomial, which is integrated
exactly on Gauss-Legendre places.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import csr_matrix
from scipy.special import ndtr

from wearlab.control.chain import HORIZON, Array, RunLength, nodes, run_length
from wearlab.control.rules import Rule
from wearlab.errors import InputError

#: States at most: more would take minutes.
_MOST = 20_000
_PLACES = 24

State = tuple[int, ...]


def rules_run_length(rules: Iterable[Rule], *, shift: float = 0.0, horizon: int = HORIZON) -> RunLength:
    """Return the run length until the first of these zone rules signals, the mean shifted by so many sd.

    Raises
    ------
    InputError
        There is no rule, one asks for a sequence, or all together need too many states.
    """
    watched = _watches(tuple(rules))
    cuts = sorted({cut for _, low, high, _, _ in watched for cut in (low, high) if np.isfinite(cut)})
    edges = np.array([-np.inf, *cuts, np.inf])
    chance = np.diff(ndtr(edges - shift))
    # a zone is told by any place within it
    middle = np.clip((edges[:-1] + edges[1:]) / 2, edges[1] - 1, edges[-2] + 1)
    member = [tuple(bool(low < z < high) is inner for inner, low, high, _, _ in watched) for z in middle]
    steps = [_stepper(k, m) for _, _, _, k, m in watched]

    def following(state: State, zone: int) -> State | None:
        after = []
        for step, before, hit in zip(steps, state, member[zone], strict=True):
            new = step(before, hit)
            if new < 0:
                return None
            after.append(new)
        return tuple(after)

    start: State = (0,) * len(watched)
    number, states = {start: 0}, [start]
    row, column, value = list[int](), list[int](), list[float]()
    for here, state in enumerate(states):  # grows while it is read
        for zone, share in enumerate(chance):
            after = following(state, zone)
            if after is None:
                continue
            if after not in number:
                if len(states) == _MOST:
                    raise InputError("so many run rules together are beyond what can be worked out; take fewer of them")
                number[after] = len(states)
                states.append(after)
            row.append(here)
            column.append(number[after])
            value.append(float(share))
    matrix = csr_matrix((value, (row, column)), shape=(len(states),) * 2)
    first = matrix[0].toarray().reshape(-1)
    return run_length(first, matrix.toarray() if len(states) < 400 else matrix, horizon=horizon)


def sequence_run_length(rule: Rule, *, horizon: int = HORIZON) -> RunLength:
    """Return the run length in control of one sequence rule."""
    if not rule.in_sequence:
        raise InputError(f"{rule.name!r} is a rule of zones, not of the order of readings")
    place, weight = nodes(0.0, 1.0, _PLACES)
    rise = _integral(place, weight)  # from the mass at places to the mass below each place, per unit
    fall = np.ones((_PLACES, 1)) * weight - rise
    up, down = rise.T * weight, fall.T * weight
    # node (side, length, place): side of the last move, moves in the pattern so far, the last value
    lengths = rule.window - 2
    size = 2 * lengths * _PLACES

    def block(side: int, length: int) -> slice:
        begin = (side * lengths + length - 1) * _PLACES
        return slice(begin, begin + _PLACES)

    matrix = np.zeros((size, size))
    for side in (0, 1):
        for length in range(1, lengths + 1):
            for move, to in ((0, up), (1, down)):
                goes_on = (move == side) is (rule.kind == "trend")
                after = length + 1 if goes_on else 1
                if after <= lengths:
                    matrix[block(side, length), block(move, after)] += to / weight[:, None]
    second = np.zeros(size)
    second[block(0, 1)] = weight @ (up / weight[:, None])
    second[block(1, 1)] = weight @ (down / weight[:, None])
    return run_length(second, matrix, lead=(1.0,), horizon=horizon)


def _integral(place: Array, weight: Array) -> NDArray[np.float64]:
    """Return M with (M f)_i = integral of f from 0 to place i, exact for polynomials through the places."""
    x = 2 * place - 1
    values = np.polynomial.legendre.legvander(x, place.size - 1)
    fitted = np.linalg.inv(values)
    inner = np.polynomial.legendre.legint(np.eye(place.size), lbnd=-1, axis=0)
    return np.asarray(np.polynomial.legendre.legvander(x, place.size) @ inner @ fitted / 2)


def _watches(rules: tuple[Rule, ...]) -> list[tuple[bool, float, float, int, int]]:
    """Return what is counted: whether inside or outside of an interval, its ends, count and window."""
    if not rules:
        raise InputError("a run length needs at least one rule")
    watched = []
    for rule in rules:
        k, m, zone = rule.count, rule.window, rule.zone
        if rule.in_sequence:
            raise InputError(
                f"the rule {rule.name!r} asks for the order of readings: it has a run length of its own only"
            )
        if rule.kind == "beyond":
            watched += [(True, zone, np.inf, k, m), (True, -np.inf, -zone, k, m)]
        else:
            watched.append((rule.kind == "inside", -zone, zone, k, m))
    return watched


def _stepper(k: int, m: int) -> Callable[[int, bool], int]:
    """Return what follows a memory, bit a of which is the reading a + 1 ago; -1 for a signal."""

    def step(memory: int, hit: bool) -> int:
        seen = (memory << 1 | hit) & ((1 << m) - 1)
        if seen.bit_count() >= k:
            return -1
        kept, counted = 0, 0
        for age in range(1, m):
            if seen >> (age - 1) & 1:
                counted += 1
                # it stays for m - age more readings; without a chance to reach k by then it is forgotten
                if counted + m - age >= k:
                    kept |= 1 << (age - 1)
        return kept

    return step
