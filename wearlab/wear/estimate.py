"""What a search for the variances is asked, and what it gives."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from wearlab.wear.blocks import Floats
from wearlab.wear.evaluated import Evaluated
from wearlab.wear.executor import Executor, Threads
from wearlab.wear.likelihood import Work
from wearlab.wear.local import Local
from wearlab.wear.variances import Coordinates

#: Told after every pass: number of the pass, criterion, and how far the score still is from zero.
Progress = Callable[[int, float, float], None]


@dataclass(frozen=True, slots=True)
class Step:
    """One pass: its number, the criterion (penalty included) and g' H^-1 g, twice the rise still expected."""

    number: int
    criterion: float
    expected: float


@dataclass(frozen=True, slots=True, eq=False)
class Estimate:
    """The optimum: coordinates phi and their curvature, the pass there, and how it was reached.

    `z` (N,) are leave-one-out residuals, `spread` is the residual sd of y about the fixed effects.
    """

    work: Work
    local: tuple[Local, ...]
    coordinates: Coordinates
    phi: Floats
    theta: Floats
    curvature: Floats
    evaluated: Evaluated
    status: str
    trace: tuple[Step, ...]
    z: Floats
    spread: float


@dataclass(frozen=True, slots=True)
class Options:
    """How a fit is made; see `fit_group`. Without an `executor` so many `workers` threads go over the chunks."""

    method: str = "reml"
    penalty: bool = True
    robust: bool = True
    workers: int = 2
    tolerance: float = 1e-10
    progress: Progress | None = None
    executor: Executor | None = None

    @property
    def through(self) -> Executor:
        """Who goes over the chunks."""
        return Threads(self.workers) if self.executor is None else self.executor
