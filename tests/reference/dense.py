"""The wear model computed the plain way: one covariance matrix of all readings, element by element, and no tricks.

Written from the model's equation alone and sharing no code with the package; slow on purpose. n readings, with
x the working exposure and y the working value:

    y = beta_f + delta_f x + sum over vehicles R_v g_v + A_v + a_i + r_i x + S_i + s_B W_i(x) + V_t + u_it + e

Everything follows from K = cov(y) and the columns X of the coefficients with a flat prior; coefficients with a
normal prior are random effects and stand in K. Textbook formulas: restricted likelihood (Patterson and Thompson
1971), predictions with uncertain coefficients (universal kriging).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

NAMES = (
    "vehicle_level",
    "vehicle_rate",
    "part_level",
    "part_rate",
    "correlation",
    "start",
    "path",
    "visit",
    "repeat",
    "error",
)


@dataclass(frozen=True)
class Reading:
    """One reading, or a true level that might have been read: how each random effect enters it."""

    x: float
    on: dict[Any, float]  # exposure gathered on each vehicle
    vehicle: Any
    part: Any
    visit: Any
    late: bool
    family: Any
    columns: np.ndarray
    period: str


class Dense:
    """The fleet `data` (a `WearData` without bounds) on a working scale given as two functions and a power."""

    def __init__(self, data: Any, power: float = 1.0, gamma: float = 1.0) -> None:
        y = np.asarray(data.y, dtype=float)
        n = y.size
        self.n, self.data = n, data
        self.y = np.log(y) if power == 0 else (y if power == 1 else np.sign(power) * y**power)
        self.log = power == 0
        self.gamma = gamma
        self.readings = [self._reading(k) for k in range(n)]
        self.families = sorted(set(self._labels("family")))
        c = 0 if data.covariates is None else data.covariates.shape[1]
        sd = np.full(c, np.inf) if data.prior_sd is None else np.asarray(data.prior_sd, dtype=float)
        mean = np.zeros(c) if data.prior_mean is None else np.asarray(data.prior_mean, dtype=float)
        self.prior = [(k, float(sd[k])) for k in range(c) if np.isfinite(sd[k])]
        self.flat = [k for k in range(c) if not np.isfinite(sd[k])]
        for k, _ in self.prior:
            self.y = self.y - mean[k] * data.covariates[:, k]
        self.X = np.array([self.fixed_row(r, with_columns=True) for r in self.readings])
        # the part of K that no variance multiplies
        self.known = np.zeros((n, n))
        for i in range(n):
            for j in range(n):
                self.known[i, j] = self._known(i, j)
        self.patterns = self._patterns(self.readings, self.readings)
        for i in range(n):
            self.patterns["error"][i, i] = 1.0

    def _labels(self, name: str) -> list[Any]:
        values = getattr(self.data, name)
        return [""] * self.n if values is None else list(values)

    def working(self, x: float) -> float:
        return x**self.gamma

    def _reading(self, k: int) -> Reading:
        d = self.data
        x = float(d.exposure[k])
        mine = [j for j in range(self.n) if d.part[j] == d.part[k] and d.exposure[j] <= x]
        # stints of the life on its vehicles: where each began, in the life's own exposure
        begins: dict[float, tuple[float, Any]] = {}
        for j in [*mine, k]:
            on_it = float(d.exposure[j] if d.gathered is None else d.gathered[j])
            begin = float(d.exposure[j]) - on_it
            begins[round(begin, 9)] = (begin, d.vehicle[j])
        stints = sorted(begins.values())
        marks = [begin for begin, _ in stints] + [x]
        on: dict[Any, float] = {}
        for (begin, vehicle), end in zip(stints, marks[1:], strict=True):
            on[vehicle] = on.get(vehicle, 0.0) + self.working(end) - self.working(begin)
        c = 0 if d.covariates is None else d.covariates.shape[1]
        return Reading(
            x=self.working(x),
            on=on,
            vehicle=d.vehicle[k],
            part=d.part[k],
            visit=(d.vehicle[k], d.visit[k]),
            late=bool(d.unknown_start is not None and d.unknown_start[k]),
            family="" if d.family is None else d.family[k],
            columns=np.zeros(0) if c == 0 else np.asarray(d.covariates[k], dtype=float),
            period="" if d.period is None else str(d.period[k]),
        )

    def fixed_row(self, r: Reading, with_columns: bool) -> list[float]:
        row: list[float] = []
        for name in self.families:
            row += [1.0, r.x] if r.family == name else [0.0, 0.0]
        if self.data.unknown_start is not None and np.any(self.data.unknown_start):
            row.append(1.0 if r.late else 0.0)
        return row + [float(r.columns[k]) if with_columns else 0.0 for k in self.flat]

    def _known(self, i: int, j: int) -> float:
        a, b = self.readings[i], self.readings[j]
        value = 0.0
        for k, sd in self.prior:
            value += sd**2 * a.columns[k] * b.columns[k]
        if a.period and a.period == b.period:
            value += self.data.period_sd**2
        if a.visit == b.visit and self.data.visit_sd is not None:
            value += float(self.data.visit_sd[i]) * float(self.data.visit_sd[j])
        if i == j and self.data.resolution is not None:
            value += 0.0 if np.isnan(self.data.resolution[i]) else float(self.data.resolution[i]) ** 2 / 12
        return value

    @staticmethod
    def _patterns(first: list[Reading], second: list[Reading]) -> dict[str, np.ndarray]:
        """What multiplies each squared sd (for "correlation": part level sd x part rate sd x correlation)."""
        found = {name: np.zeros((len(first), len(second))) for name in NAMES}
        for i, a in enumerate(first):
            for j, b in enumerate(second):
                if a.vehicle == b.vehicle:
                    found["vehicle_level"][i, j] = 1.0
                for vehicle, gathered in a.on.items():
                    found["vehicle_rate"][i, j] += gathered * b.on.get(vehicle, 0.0)
                if a.part == b.part:
                    found["part_level"][i, j] = 1.0
                    found["part_rate"][i, j] = a.x * b.x
                    found["correlation"][i, j] = a.x + b.x
                    found["path"][i, j] = min(a.x, b.x)
                    found["start"][i, j] = 1.0 if a.late else 0.0
                if a.visit is not None and a.visit == b.visit:
                    found["visit"][i, j] = 1.0
                    if a.part == b.part:
                        found["repeat"][i, j] = 1.0
        return found

    @staticmethod
    def _sum(patterns: dict[str, np.ndarray], sd: dict[str, float]) -> np.ndarray:
        total = sd["correlation"] * sd["part_level"] * sd["part_rate"] * patterns["correlation"]
        for name in NAMES:
            if name != "correlation":
                total = total + sd[name] ** 2 * patterns[name]
        return np.asarray(total)

    def covariance(self, sd: dict[str, float]) -> np.ndarray:
        """K, (n, n)."""
        return self._sum(self.patterns, sd) + self.known

    def coefficients(self, sd: dict[str, float]) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """Generalised least squares: the coefficients, their covariance, and K^-1."""
        inverse = np.linalg.inv(self.covariance(sd))
        spread = np.linalg.inv(self.X.T @ inverse @ self.X)
        return spread @ self.X.T @ inverse @ self.y, spread, inverse

    def criterion(self, sd: dict[str, float], method: str = "reml") -> float:
        """The log-likelihood at these variances, profiled over beta, or restricted; all constants kept."""
        beta, spread, inverse = self.coefficients(sd)
        r = self.y - self.X @ beta
        value = np.linalg.slogdet(self.covariance(sd))[1] + r @ inverse @ r
        p = self.X.shape[1] if method == "reml" else 0
        if method == "reml":
            value -= np.linalg.slogdet(spread)[1]
        return float(-0.5 * (value + (self.n - p) * np.log(2 * np.pi)))

    def score(self, sd: dict[str, float], method: str = "reml") -> dict[str, float]:
        """d criterion / d each sd and the correlation, by traces."""
        beta, spread, inverse = self.coefficients(sd)
        r = self.y - self.X @ beta
        weighted = inverse @ r
        middle = inverse - inverse @ self.X @ spread @ self.X.T @ inverse if method == "reml" else inverse
        found = {}
        for name in NAMES:
            slope = 2 * sd[name] * self.patterns[name]
            if name == "correlation":
                slope = sd["part_level"] * sd["part_rate"] * self.patterns["correlation"]
            elif name in {"part_level", "part_rate"}:
                other = sd["part_rate" if name == "part_level" else "part_level"]
                slope = slope + sd["correlation"] * other * self.patterns["correlation"]
            found[name] = float(-0.5 * (np.sum(middle * slope) - weighted @ slope @ weighted))
        return found

    def differences(self, sd: dict[str, float], method: str = "reml", step: float = 1e-4) -> dict[str, float]:
        """The same by central differences of the criterion (fourth order)."""
        found = {}
        for name in NAMES:
            h = step * max(abs(sd[name]), 0.1)
            at = {k: self.criterion({**sd, name: sd[name] + k * h}, method) for k in (-2, -1, 1, 2)}
            found[name] = (at[-2] - 8 * at[-1] + 8 * at[1] - at[2]) / (12 * h)
        return found

    def innovations(self, sd: dict[str, float], order: list[int]) -> np.ndarray:
        """Each reading less its expectation given those before it in `order`, in its own sds, at beta-hat.

        The coefficients with a prior are, like the others, held at their estimates and not learned on the way.
        """
        beta, _, inverse = self.coefficients(sd)
        r = self.y - self.X @ beta
        K = self.covariance(sd)
        prior = np.zeros_like(K)
        for i, a in enumerate(self.readings):
            for j, b in enumerate(self.readings):
                for k, s in self.prior:
                    prior[i, j] += s**2 * a.columns[k] * b.columns[k]
                if a.period and a.period == b.period:
                    prior[i, j] += self.data.period_sd**2
        r = r - prior @ inverse @ r
        K = K - prior
        found = np.empty(self.n)
        for place, k in enumerate(order):
            before = order[:place]
            mean, variance = 0.0, K[k, k]
            if before:
                weights = np.linalg.solve(K[np.ix_(before, before)], K[before, k])
                mean, variance = float(weights @ r[before]), float(K[k, k] - weights @ K[before, k])
            found[k] = (r[k] - mean) / np.sqrt(variance)
        return found

    def posterior(self, sd: dict[str, float], part: Any) -> tuple[np.ndarray, np.ndarray]:
        """Mean (2,) and covariance (2, 2) of level and rate of a life at its last exposure, covariates zero."""
        own = [k for k in range(self.n) if self.data.part[k] == part]
        last = self.readings[max(own, key=lambda k: self.readings[k].x)]
        target = Reading(last.x, last.on, last.vehicle, part, None, last.late, last.family, last.columns * 0, "")
        beta, spread, inverse = self.coefficients(sd)
        level = self._sum(self._patterns([target], self.readings), sd)[0]
        rate = np.zeros(self.n)
        for j, b in enumerate(self.readings):
            rate[j] += sd["vehicle_rate"] ** 2 * b.on.get(last.vehicle, 0.0)
            if b.part == part:
                rate[j] += sd["part_rate"] ** 2 * b.x + sd["correlation"] * sd["part_level"] * sd["part_rate"]
        both = np.array([level, rate])
        own_variance = self._sum(self._patterns([target], [target]), sd)[0, 0]
        shared = (
            sd["vehicle_rate"] ** 2 * last.on[last.vehicle]
            + sd["part_rate"] ** 2 * last.x
            + sd["correlation"] * sd["part_level"] * sd["part_rate"]
        )
        before = np.array([[own_variance, shared], [shared, sd["vehicle_rate"] ** 2 + sd["part_rate"] ** 2]])
        row = np.array(self.fixed_row(target, with_columns=False))
        slope = np.zeros_like(row)
        slope[2 * self.families.index(target.family) + 1] = 1.0
        fixed = np.array([row, slope])
        left = fixed - both @ inverse @ self.X
        mean = fixed @ beta + both @ inverse @ (self.y - self.X @ beta)
        return mean, before - both @ inverse @ both.T + left @ spread @ left.T
