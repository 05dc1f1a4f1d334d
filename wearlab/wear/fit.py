"""Variances by restricted (or full) maximum likelihood: average-information steps with the exact score.

A step that lowers the criterion is halved; where halving does not help, a quasi-Newton search with the same score takes
over. A standard deviation that runs to zero is held there, as an answer on the boundary, and set free again if the
score asks for it. Readings beyond the scale, gross errors and the slope of the working scale are brought up to date
between passes.
"""

from __future__ import annotations

from dataclasses import replace
from math import exp, inf, log, sqrt

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import minimize

from wearlab.wear.blocks import Floats
from wearlab.wear.design import Problem
from wearlab.wear.doubt import doubted
from wearlab.wear.em import Mixing
from wearlab.wear.estimate import Estimate, Options, Step
from wearlab.wear.evaluated import Evaluated, evaluated
from wearlab.wear.likelihood import Looked, Work, passed
from wearlab.wear.local import Local, localised
from wearlab.wear.variances import INDEX, LONGEST, Coordinates

MOST_PASSES = 400
#: A standard deviation below this share of the residual's is zero.
ZERO = 1e-4
#: Doubts, slopes and readings beyond the scale wait until less than this is expected to be gained.
NEAR = 1.0
#: Share of readings whose weight or slope may still change when the search ends.
FEW = 1e-4
#: Rounds in which gross errors and slopes may still change.
ROUNDS = 8


def maximised(
    design: Problem, coordinates: Coordinates, theta: Floats, beta: Floats, scale: float, options: Options
) -> Estimate:
    """Return the optimum from starting variances (10,) and coefficients; `scale` is the residual sd of y."""
    local = localised(design)
    work = Work(design, design.y.copy(), np.zeros(design.n), {})
    search = _Search(work, local, options, scale)
    return search.run(coordinates, theta, beta)


class _Search:
    """The state of one search; it lives no longer than `maximised`."""

    def __init__(self, work: Work, local: tuple[Local, ...], options: Options, scale: float) -> None:
        self.work, self.local, self.options, self.scale = work, local, options, scale
        data = work.design.data
        self.bounded = bool(data.bound.any())
        self.curved = work.design.scale.power != 0 and bool(
            work.design.entries.factor.any() or (work.design.scale.power != 1 and data.resolution.any())
        )
        self.rounds = 0
        self.near = False
        self.trace: list[Step] = []
        self.z = np.zeros(work.design.n)
        self.zeroed: set[str] = set()
        self.freed: set[str] = set()

    @property
    def moving(self) -> bool:
        """Whether the data the fit works with still change between passes."""
        return (self.curved or self.options.robust) and self.rounds < ROUNDS

    def at(self, coordinates: Coordinates, phi: Floats, beta: Floats, *, look: bool) -> tuple[Evaluated, Looked | None]:
        """Evaluate at phi; beside it what the pass saw of every reading."""
        active = np.zeros(len(INDEX), dtype=np.bool_)
        for name in (*coordinates.scalars, *self.zeroed):
            active[INDEX[name]] = True
        if coordinates.pair:
            active[2:5] = True
        sums, seen = passed(
            self.work,
            self.local,
            coordinates.theta(phi),
            beta,
            active,
            executor=self.options.through,
            look=look,
            beyond=self.near,
        )
        return evaluated(sums, self.work.design, method=self.options.method), seen

    def value(self, coordinates: Coordinates, phi: Floats, found: Evaluated) -> tuple[float, Floats, Floats]:
        """Return the penalised criterion, its gradient and a curvature that is never negative."""
        jacobian = coordinates.jacobian(phi)
        gradient = jacobian.T @ found.score
        curvature = jacobian.T @ found.information @ jacobian
        value = found.criterion
        if self.options.penalty:
            penalty, slope, bend = coordinates.penalty(phi)
            value, gradient, curvature = value + penalty, gradient + slope, curvature + np.diag(bend)
        return value, gradient, curvature

    def run(self, coordinates: Coordinates, theta: Floats, beta: Floats) -> Estimate:
        """Search from starting variances and coefficients."""
        phi = coordinates.phi(theta)
        before: tuple[Floats, float] | None = None  # where the last accepted step started, and its value
        step = np.zeros(phi.size)
        good: Floats | None = None  # where the pass before was computed
        halved = 0
        for number in range(1, MOST_PASSES + 1):
            look = self.near and self.moving
            try:
                found, seen = self.at(coordinates, phi, beta, look=look)
                value, gradient, curvature = self.value(coordinates, phi, found)
            except np.linalg.LinAlgError:
                if before is None:
                    # nothing to compare with: only nearer to where it could be computed
                    if good is None or good.size != phi.size or halved > 6:
                        raise
                    halved, phi = halved + 1, 0.5 * (good + phi)
                    continue
                value = -inf
            if before is not None and value < before[1] - 1e-9 * (1 + abs(before[1])):
                halved += 1
                step = step / 2
                phi = before[0] + step
                if halved > 6:
                    phi, beta = self._quasi_newton(coordinates, before[0], beta)
                    before, halved = None, 0
                continue
            halved, good = 0, phi
            step, expected = self._step(coordinates, phi, gradient, curvature)
            self._tell(number, value, expected)
            still = self._update(seen, coordinates.theta(phi)) if look else True
            settled = float(np.max(np.abs(found.beta - beta) / np.sqrt(np.diag(found.covariance)), initial=0.0))
            beta = found.beta
            if self.bounded and expected < NEAR:
                self.near = True
                return self._run_bounded(coordinates, phi, beta)
            done = expected < self.options.tolerance and still and settled < 1e-4
            if done and (look or not self.moving):
                again = self._set_free(coordinates, phi, found)
                if again is None:
                    return self._done(coordinates, phi, found, curvature, converged=True)
                coordinates, phi = again
                before = None
                continue
            # the criterion belongs to the data it was taken with; these move from now on
            self.near = self.near or expected < NEAR
            before = None if look or (self.near and self.moving) else (phi, value)
            coordinates, moved = self._held(coordinates, phi + coordinates.shorten(phi, step))
            before = before if moved.size == phi.size else None
            phi = moved
        found, _ = self.at(coordinates, phi, beta, look=False)
        return self._done(coordinates, phi, found, self.value(coordinates, phi, found)[2], converged=False)

    def _run_bounded(self, coordinates: Coordinates, phi: Floats, beta: Floats) -> Estimate:
        """Search where readings lie beyond the scale; see `em`."""
        mixing = Mixing()
        plain: Floats | None = None  # where the plain step would have led, and the value it started from
        best, good = -inf, phi
        for number in range(1, MOST_PASSES + 1):
            try:
                _, seen = self.at(coordinates, phi, beta, look=True)
                assert seen is not None
                self._update_bounded(seen, coordinates.theta(phi))
                found, _ = self.at(coordinates, phi, beta, look=False)
            except np.linalg.LinAlgError:
                phi = good + 0.5 * (phi - good) if phi.size == good.size else good
                plain = None
                mixing.forget()
                continue
            good = phi
            value, gradient, curvature = self.value(coordinates, phi, found)
            if plain is not None and self.rounds >= ROUNDS and value < best - 1e-9 * (1 + abs(best)):
                beta, phi = plain[: beta.size], plain[beta.size :]
                plain = None
                mixing.forget()
                continue
            best = value
            step, expected = self._step(coordinates, phi, gradient, curvature)
            self._tell(number, value, expected)
            pull = float((found.beta - beta) @ np.linalg.solve(found.covariance, found.beta - beta))
            if expected + pull < self.options.tolerance and self.rounds >= ROUNDS:
                again = self._set_free(coordinates, phi, found)
                if again is None:
                    return self._done(coordinates, phi, found, curvature, converged=True)
                coordinates, phi = again
                mixing.forget()
                plain = None
                continue
            image = phi + coordinates.shorten(phi, step)
            wider, moved = self._held(coordinates, image)
            if moved.size != phi.size:
                coordinates, phi, beta, plain = wider, moved, found.beta, None
                mixing.forget()
                continue
            plain = np.concatenate([found.beta, moved])
            weight = np.concatenate([1 / np.sqrt(np.diag(found.covariance)), np.sqrt(np.diag(curvature))])
            point = mixing.next(np.concatenate([beta, phi]), plain, weight)
            if self.rounds < ROUNDS or np.max(np.abs(point - plain)[beta.size :], initial=0.0) > LONGEST:
                mixing.forget()
                point = plain
            beta, phi = point[: beta.size], point[beta.size :]
        found, _ = self.at(coordinates, phi, beta, look=False)
        return self._done(coordinates, phi, found, self.value(coordinates, phi, found)[2], converged=False)

    def _step(self, coordinates: Coordinates, phi: Floats, gradient: Floats, curvature: Floats) -> tuple[Floats, float]:
        """Return the average-information step, and twice the rise of the criterion that it promises."""
        free = self._free(coordinates, phi)
        step = np.zeros(phi.size)
        step[free] = _solved(curvature[np.ix_(free, free)], gradient[free])
        return step, float(gradient[free] @ step[free])

    def _tell(self, number: int, value: float, expected: float) -> None:
        self.trace.append(Step(number, value, expected))
        if self.options.progress is not None:
            self.options.progress(number, value, expected)

    def _done(
        self, coordinates: Coordinates, phi: Floats, found: Evaluated, curvature: Floats, *, converged: bool
    ) -> Estimate:
        edge = bool(self.zeroed) or not self._free(coordinates, phi).all()
        status = ("converged on the boundary" if edge else "converged") if converged else "not converged"
        return Estimate(
            self.work, self.local, coordinates, phi, coordinates.theta(phi), curvature, found, status,
            tuple(self.trace), self.z, self.scale,
        )  # fmt: skip

    def _free(self, coordinates: Coordinates, phi: Floats) -> NDArray[np.bool_]:
        """Coordinates that are not at an edge: a correlation of one leaves nothing to move in the corner."""
        free = np.ones(phi.size, dtype=np.bool_)
        if coordinates.pair and not self.options.penalty:
            _, lean, corner = phi[-3:]
            free[-1] = exp(2 * corner) > ZERO**2 * (lean * lean + exp(2 * corner))
        return free

    def _held(self, coordinates: Coordinates, phi: Floats) -> tuple[Coordinates, Floats]:
        """Hold at zero what has run there; only without penalty, which keeps every effect off zero."""
        if self.options.penalty:
            return coordinates, phi
        floor = log(ZERO * self.scale)
        theta = coordinates.theta(phi)
        for name in (*coordinates.scalars, *(("part_level", "part_rate") if coordinates.pair else ())):
            if name != "error" and 0.5 * log(max(float(theta[INDEX[name]]), 1e-300)) < floor:
                self.zeroed.add(name)
                coordinates = coordinates.without(name)
        return coordinates, coordinates.phi(coordinates.theta_kept(theta))

    def _set_free(self, coordinates: Coordinates, phi: Floats, found: Evaluated) -> tuple[Coordinates, Floats] | None:
        """Return coordinates with an effect let off zero, where the score there is positive; once an effect."""
        for name in sorted(self.zeroed - self.freed):
            k = INDEX[name]
            if found.score[k] > 1e-8 * sqrt(max(float(found.information[k, k]), 0.0)):
                self.zeroed.discard(name)
                self.freed.add(name)
                theta = coordinates.theta(phi)
                theta[k] = (10 * ZERO * self.scale) ** 2
                wider = replace(coordinates, scalars=(*coordinates.scalars, name))
                return wider, wider.phi(theta)
        return None

    def _update(self, seen: Looked | None, theta: Floats) -> bool:
        """Bring gross errors and slopes up to date; return whether they had settled."""
        assert seen is not None
        self.rounds += 1
        self.z = seen.z
        work, design = self.work, self.work.design
        doubt, still = work.doubt, True
        if self.options.robust:
            own = theta[INDEX["error"]] + design.known
            doubt = doubted(seen.z, seen.variance, work.doubt, own, design.data.bound != 0)
            changed = np.abs(doubt - work.doubt) > 0.05 * (work.doubt + own)
            still = float(np.mean(changed)) <= FEW
        if self.curved:
            new = design.refit_at(seen.told)
            moved = np.abs(new.log_slope - design.log_slope) > 1e-3 * np.abs(new.log_slope) + 1e-8
            still = still and float(np.mean(moved)) <= FEW
            design = new
        self.work = Work(design, work.y, doubt, work.spread)
        if still:
            self.rounds = ROUNDS
        return still

    def _update_bounded(self, seen: Looked, theta: Floats) -> None:
        """Take the expected values of the readings beyond the scale; in the first rounds, the rest too."""
        if (self.curved or self.options.robust) and self.rounds < ROUNDS:
            self._update(seen, theta)
        else:
            self.rounds = ROUNDS
        self.work = Work(self.work.design, seen.y, self.work.doubt, seen.spread)

    def _quasi_newton(self, coordinates: Coordinates, phi: Floats, beta: Floats) -> tuple[Floats, Floats]:
        """Search on by BFGS with the exact score, where average information pointed the wrong way."""
        latest = beta

        def negative(at: Floats) -> tuple[float, Floats]:
            nonlocal latest
            try:
                found, _ = self.at(coordinates, at, latest, look=False)
            except np.linalg.LinAlgError:
                return 1e300, np.zeros(at.size)
            latest = found.beta
            value, gradient, _ = self.value(coordinates, at, found)
            return -value, -gradient

        answer = minimize(negative, phi, jac=True, method="BFGS", options={"maxiter": 30, "gtol": 1e-6})
        return np.asarray(answer.x), latest


def _solved(curvature: Floats, gradient: Floats) -> Floats:
    """Solve with the diagonal scaled to 1 and, where needed, a ridge."""
    scale = np.sqrt(np.maximum(np.diag(curvature), 1e-300))
    scaled = curvature / np.outer(scale, scale)
    lowest = float(np.linalg.eigvalsh(scaled)[0]) if gradient.size else 1.0
    if lowest < 1e-8:
        scaled = scaled + (1e-8 - min(lowest, 0.0)) * np.eye(gradient.size)
    out: Floats = np.linalg.solve(scaled, gradient / scale) / scale
    return out
