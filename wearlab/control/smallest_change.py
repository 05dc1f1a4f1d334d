"""What a difference between tests can show: the smallest change, and the repeats it takes to show a smaller one.

A level from t tests (visits) of r repeats each has the variance visit^2 / t + repeatability^2 / (t r): repeats do not
help against what a whole test shares (technician, rig, channel, temperature). A change counts as shown where the
difference of two levels is told from 0 at the stated confidence; the smallest change is the one that is shown with the
stated chance. Both are asked for: a change that is only just significant would be missed every second time.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import hypot, isfinite, isinf, sqrt

from scipy.optimize import brentq
from scipy.special import nctdtr, ndtr, ndtri, stdtrit

from wearlab.errors import InputError
from wearlab.language import _, localised, number
from wearlab.records import NoAnswer

#: More repeats of one test nobody makes.
MOST_REPEATS = 100


@dataclass(frozen=True, slots=True)
class Precision:
    """What readings scatter by.

    `repeatability`: sd of repeats in one test; `visit`: sd of what the readings of one test share; `dof`: degrees of
    freedom both come from, infinite when they are taken as known. All sd in one unit (on log readings they are shares).
    """

    repeatability: float
    visit: float = 0.0
    dof: float = float("inf")

    def __post_init__(self) -> None:
        if not (isfinite(self.repeatability) and isfinite(self.visit) and min(self.repeatability, self.visit) >= 0):
            raise InputError("repeatability and what a visit shares are finite sd, 0 or more")
        if not self.dof >= 1:
            raise InputError("degrees of freedom are at least 1")


def level_sd(precision: Precision, tests: int = 1, repeats: int = 1) -> float:
    """Return the sd of a level from so many tests with so many repeats each."""
    if tests < 1 or repeats < 1:
        raise InputError("a level needs at least one test with one reading")
    return hypot(precision.visit, precision.repeatability / sqrt(repeats)) / sqrt(tests)


def smallest_change(
    precision: Precision,
    *,
    tests: int = 1,
    repeats: int = 1,
    before_sd: float | None = None,
    confidence: float = 0.9,
    power: float = 0.9,
) -> float:
    """Return the smallest change that so many tests can show.

    `before_sd` is the sd of the level they are compared with; without it that level comes from as many tests again.
    """
    now = level_sd(precision, tests, repeats)
    before = now if before_sd is None else before_sd
    if not before >= 0:
        raise InputError("the sd of the level before is 0 or more")
    return shown_at(precision.dof, confidence, power) * hypot(now, before)


def repeats_needed(
    precision: Precision,
    change: float,
    *,
    tests: int = 1,
    before_sd: float | None = None,
    confidence: float = 0.9,
    power: float = 0.9,
) -> int | NoAnswer:
    """Return the fewest repeats a test with which this change can be shown.

    No answer where no number of repeats is enough, because of what the whole test shares or the level before.
    """
    if not change > 0:
        raise InputError("the change to be shown has to be above 0")
    whole = shown_at(precision.dof, confidence, power)

    def least(repeats: float) -> float:
        now = hypot(precision.visit, precision.repeatability / sqrt(repeats)) / sqrt(tests)
        return whole * hypot(now, now if before_sd is None else before_sd)

    if least(MOST_REPEATS) > change:
        return NoAnswer(
            _(
                "even {repeats} repeats show no change below {least}: what a whole test shares stays; it takes more "
                "tests",
                repeats=number(MOST_REPEATS),
                least=localised(f"{least(MOST_REPEATS):.3g}"),
            )
        )
    return next(repeats for repeats in range(1, MOST_REPEATS + 1) if least(repeats) <= change)


def shown_at(dof: float, confidence: float, power: float) -> float:
    """Return the true difference, in its own sd, that a two-sided test shows with chance `power`."""
    if not (0 < confidence < 1 and 1 - confidence < power < 1):
        raise InputError("confidence and power lie between 0 and 1, and power above 1 - confidence")
    if isinf(dof):
        edge = float(ndtri(0.5 + confidence / 2))
        return float(brentq(lambda d: ndtr(d - edge) + ndtr(-d - edge) - power, 0.0, edge + 40.0, xtol=1e-10))
    edge = float(stdtrit(dof, 0.5 + confidence / 2))

    def gap(d: float) -> float:
        # the wrong side is reached less often than the normal distribution passes d; far out it has no stable value
        wrong = float(nctdtr(dof, d, -edge)) if d < 6 else 0.0
        return 1 - float(nctdtr(dof, d, edge)) + wrong - power

    top = edge + 2.0
    while gap(top) < 0:
        top += edge
    return float(brentq(gap, 0.0, top, xtol=1e-8))
