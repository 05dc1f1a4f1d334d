"""The variances of the wear model, and the unbounded coordinates in which they are searched.

Variances and the one covariance are written theta, in the order of `THETA`. The search runs over phi: the logarithm
of each standard deviation; for level and rate of a part, when both are there, the logarithms and the lower corner of
the Cholesky factor of their covariance, so that every phi is a proper covariance.
"""

from __future__ import annotations

from dataclasses import dataclass, fields
from math import exp, log, nan, sqrt
from typing import Final

import numpy as np
from numpy.typing import NDArray

#: Order of variances: level and rate of the vehicle; level, covariance and rate of the part; ...
THETA: Final = (
    "vehicle_level",
    "vehicle_rate",
    "part_level",
    "part_covariance",
    "part_rate",
    "start",
    "path",
    "visit",
    "repeat",
    "error",
)
INDEX: Final = {name: k for k, name in enumerate(THETA)}

#: No log standard deviation is moved by more than this in one step.
LONGEST = 2.0


@dataclass(frozen=True, slots=True)
class Variances:
    """Standard deviations on the working scale; 0 for an effect that is absent.

    `vehicle_rate`, `part_rate` are per unit of exposure, `path` per square root of it; `correlation` joins level and
    rate of a part. `start` is the extra spread of lives whose beginning is unknown, `repeat` what the readings of one
    part at one visit share.
    """

    vehicle_level: float = 0.0
    vehicle_rate: float = 0.0
    part_level: float = 0.0
    part_rate: float = 0.0
    correlation: float = 0.0
    start: float = 0.0
    path: float = 0.0
    visit: float = 0.0
    repeat: float = 0.0
    error: float = 0.0

    def per(self, exposure: float) -> Variances:
        """Return the same variances when exposure is counted in units of `exposure`."""
        values = {field.name: getattr(self, field.name) for field in fields(self)}
        values["vehicle_rate"] *= exposure
        values["part_rate"] *= exposure
        values["path"] *= sqrt(exposure)
        return Variances(**values)

    def theta(self) -> NDArray[np.float64]:
        """Return the variances in the order of `THETA`, shape (10,)."""
        return np.array(
            [
                self.vehicle_level**2,
                self.vehicle_rate**2,
                self.part_level**2,
                self.correlation * self.part_level * self.part_rate,
                self.part_rate**2,
                self.start**2,
                self.path**2,
                self.visit**2,
                self.repeat**2,
                self.error**2,
            ]
        )


def variances_of(theta: NDArray[np.float64]) -> Variances:
    """Return the standard deviations of variances in the order of `THETA`."""
    sd = {name: sqrt(max(float(theta[k]), 0.0)) for name, k in INDEX.items() if name != "part_covariance"}
    both = sd["part_level"] * sd["part_rate"]
    correlation = float(theta[INDEX["part_covariance"]]) / both if both > 0 else 0.0
    return Variances(correlation=min(max(correlation, -1.0), 1.0), **sd)


@dataclass(frozen=True, slots=True)
class Coordinates:
    """Which effects are searched, and the change between theta and phi.

    `scalars` are names of single standard deviations; `pair` tells whether level and rate of the part are searched
    together. `held` holds theta of what is not searched (absent, or assumed).
    """

    scalars: tuple[str, ...]
    pair: bool
    held: tuple[float, ...]

    @property
    def size(self) -> int:
        """Number of coordinates."""
        return len(self.scalars) + (3 if self.pair else 0)

    @property
    def names(self) -> tuple[str, ...]:
        """A name for each coordinate."""
        return (*self.scalars, *(("part_level", "part_lean", "part_rate") if self.pair else ()))

    def theta(self, phi: NDArray[np.float64]) -> NDArray[np.float64]:
        """Return variances (10,) of coordinates (size,)."""
        out = np.array(self.held)
        for k, name in enumerate(self.scalars):
            out[INDEX[name]] = exp(2 * phi[k])
        if self.pair:
            a, b, c = phi[len(self.scalars) :]
            out[INDEX["part_level"]] = exp(2 * a)
            out[INDEX["part_covariance"]] = exp(a) * b
            out[INDEX["part_rate"]] = b * b + exp(2 * c)
        return out

    def phi(self, theta: NDArray[np.float64]) -> NDArray[np.float64]:
        """Return coordinates of variances that are all positive."""
        out = [0.5 * log(theta[INDEX[name]]) for name in self.scalars]
        if self.pair:
            level, covariance, rate = theta[2:5]
            lean = covariance / sqrt(level)
            out += [0.5 * log(level), lean, 0.5 * log(max(rate - lean * lean, 1e-12 * rate))]
        return np.array(out)

    def jacobian(self, phi: NDArray[np.float64]) -> NDArray[np.float64]:
        """Return d theta / d phi, shape (10, size)."""
        out = np.zeros((len(THETA), self.size))
        for k, name in enumerate(self.scalars):
            out[INDEX[name], k] = 2 * exp(2 * phi[k])
        if self.pair:
            at = len(self.scalars)
            a, b, c = phi[at:]
            out[2, at] = 2 * exp(2 * a)
            out[3, at], out[3, at + 1] = exp(a) * b, exp(a)
            out[4, at + 1], out[4, at + 2] = 2 * b, 2 * exp(2 * c)
        return out

    def penalty(self, phi: NDArray[np.float64]) -> tuple[float, NDArray[np.float64], NDArray[np.float64]]:
        """Return value, gradient and a safe curvature (diagonal, positive) of the default penalty.

        The penalty is the sum of log standard deviations, which keeps them off zero without pulling at large ones
        (Chung et al. 2013), and log(1 - correlation^2). The reading error is penalised like the other effects: with
        three visits a part the path can take its place altogether.
        """
        value, gradient, curve = 0.0, np.zeros(self.size), np.zeros(self.size)
        for k in range(len(self.scalars)):
            value, gradient[k], curve[k] = value + float(phi[k]), 1.0, 2.0
        if self.pair:
            at = len(self.scalars)
            a, b, c = (float(part) for part in phi[at:])
            rate = b * b + exp(2 * c)
            value += a + 2 * c - 0.5 * log(rate)
            gradient[at:] = 1.0, -b / rate, 2.0 - exp(2 * c) / rate
            curve[at:] = 2.0, 1.0 / rate, 2.0
        return value, gradient, curve

    def shorten(self, phi: NDArray[np.float64], step: NDArray[np.float64]) -> NDArray[np.float64]:
        """Return the step, cut where it would leave the region in which a quadratic can be trusted."""
        reach = np.full(self.size, LONGEST)
        if self.pair:
            at = len(self.scalars)
            reach[at + 1] = LONGEST * sqrt(float(phi[at + 1]) ** 2 + exp(2 * float(phi[at + 2])))
        longest = float(np.max(np.abs(step) / reach, initial=0.0))
        return step / longest if longest > 1 else step

    def theta_kept(self, theta: NDArray[np.float64]) -> NDArray[np.float64]:
        """Return theta with zero for every effect that is not searched, but for what is held."""
        out = np.array(self.held)
        for name in self.scalars:
            out[INDEX[name]] = theta[INDEX[name]]
        if self.pair:
            out[2:5] = theta[2:5]
        return out

    def without(self, name: str) -> Coordinates:
        """Return the coordinates with one effect held at zero."""
        held = np.array(self.held)
        if self.pair and name in ("part_level", "part_rate"):
            left = "part_rate" if name == "part_level" else "part_level"
            return Coordinates((*self.scalars, left), False, tuple(held))
        return Coordinates(tuple(other for other in self.scalars if other != name), self.pair, tuple(held))


def errors_of(coordinates: Coordinates, phi: NDArray[np.float64], covariance: NDArray[np.float64]) -> Variances:
    """Return standard errors of the standard deviations and the correlation from the covariance of phi.

    First-order propagation through the change of coordinates; NaN for what is not searched.
    """
    out = {field.name: nan for field in fields(Variances)}
    for k, name in enumerate(coordinates.scalars):
        out[name] = exp(float(phi[k])) * sqrt(max(float(covariance[k, k]), 0.0))
    if coordinates.pair:
        at = len(coordinates.scalars)
        a, b, c = (float(part) for part in phi[at:])
        block = covariance[at : at + 3, at : at + 3]
        rate = sqrt(b * b + exp(2 * c))
        lines = {
            "part_level": np.array([exp(a), 0.0, 0.0]),
            "part_rate": np.array([0.0, b / rate, exp(2 * c) / rate]),
            "correlation": np.array([0.0, exp(2 * c) / rate**3, -b * exp(2 * c) / rate**3]),
        }
        for name, line in lines.items():
            out[name] = sqrt(max(float(line @ block @ line), 0.0))
    return Variances(**out)
