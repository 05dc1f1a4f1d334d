"""Polynomials by least squares, centred and scaled so that high degrees keep their digits.

The fit is made in z = (x - centre) / half range, which lies in [-1, 1], on Chebyshev polynomials of z:
their columns stay nearly independent where plain powers do not. A QR factorisation gives estimate and
covariance; one step of refinement on the residual removes most of the rounding. Powers of x follow by an
exact change of basis in rational numbers. A design whose condition number still leaves fewer than six
digits is refused.
"""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction
from math import comb, isfinite, sqrt

import numpy as np
from numpy.polynomial import chebyshev
from numpy.typing import ArrayLike, NDArray
from scipy.linalg import qr, solve_triangular

from wearlab.errors import InputError
from wearlab.language import _, localised
from wearlab.records import NoAnswer

#: Double precision holds 16 digits; a condition number above this leaves fewer than six in the estimate.
MOST_CONDITION = 1e10


@dataclass(frozen=True, slots=True)
class Polynomial:
    """A fitted polynomial b0 + b1 x + ... + bd x^d.

    `coefficients` and `sd` (standard deviations) run from b0 to bd on the scale of x. `condition` is the
    condition number of the centred and scaled design. `r_squared` is None when all y are equal.
    """

    n: int
    degree: int
    coefficients: tuple[float, ...]
    sd: tuple[float, ...]
    residual_sd: float
    dof: int
    r_squared: float | None
    condition: float
    centre: float
    half_range: float
    chebyshev: tuple[float, ...]

    def at(self, x: ArrayLike) -> NDArray[np.float64]:
        """Return the fitted value at every x, shape of x; evaluated in the scaled variable."""
        z = (np.asarray(x, dtype=np.float64) - self.centre) / self.half_range
        return np.asarray(chebyshev.chebval(z, np.array(self.chebyshev)), dtype=np.float64)


def polynomial(x: ArrayLike, y: ArrayLike, degree: int) -> Polynomial | NoAnswer:
    """Fit a polynomial of `degree` to the points (x, y), both of shape (n,).

    Needs n >= degree + 2 points at degree + 1 different x at least, so that a residual is left.

    Raises
    ------
    InputError
        The arrays are not of one length, or the degree is negative.
    """
    xs, ys = pair(x, y)
    if degree < 0:
        raise InputError(f"the degree of a polynomial is 0 or more, not {degree}")
    n = xs.size
    if not (np.isfinite(xs).all() and np.isfinite(ys).all()):
        return NoAnswer(_("a value among the readings is not a finite number"))
    if n < degree + 2:
        return NoAnswer(
            _("degree {degree} needs at least {least} readings, there are {n}", degree=degree, least=degree + 2, n=n)
        )
    distinct = np.unique(xs).size
    if distinct < degree + 1:
        return NoAnswer(
            _(
                "degree {degree} needs {least} different places, there are {n}",
                degree=degree,
                least=degree + 1,
                n=distinct,
            )
        )
    centre = float(xs.min() / 2 + xs.max() / 2)
    half = float(xs.max() / 2 - xs.min() / 2) or 1.0
    design = chebyshev.chebvander((xs - centre) / half, degree)
    condition = float(np.linalg.cond(design))
    if not isfinite(condition) or condition > MOST_CONDITION:
        return NoAnswer(
            _(
                "the readings lie so that degree {degree} cannot be computed reliably (condition number {number}, at "
                "most {most})",
                degree=degree,
                number=localised(f"{condition:.1e}"),
                most=f"{MOST_CONDITION:.0e}",
            )
        )
    q, r = qr(design, mode="economic")
    estimate = solve_triangular(r, q.T @ ys)
    estimate = estimate + solve_triangular(r, q.T @ (ys - design @ estimate))
    residual = ys - design @ estimate
    dof = n - degree - 1
    residual_sd = sqrt(float(residual @ residual) / dof)
    spread = float(np.sum((ys - ys.mean()) ** 2))
    change = _powers_of_x(degree, centre, half)
    exact = [Fraction(float(value)) for value in estimate]
    powers = [sum((c * e for c, e in zip(row, exact, strict=True)), Fraction(0)) for row in change]
    # row i of change @ R^-1 holds how b_i depends on independent unit errors
    inverse = solve_triangular(r, np.eye(degree + 1))
    load = np.array([[float(cell) for cell in row] for row in change]) @ inverse
    sd = residual_sd * np.sqrt(np.sum(load**2, axis=1))
    return Polynomial(
        n=n,
        degree=degree,
        coefficients=tuple(float(value) for value in powers),
        sd=tuple(float(value) for value in sd),
        residual_sd=residual_sd,
        dof=dof,
        r_squared=1.0 - float(residual @ residual) / spread if spread > 0 else None,
        condition=condition,
        centre=centre,
        half_range=half,
        chebyshev=tuple(float(value) for value in estimate),
    )


def pair(x: ArrayLike, y: ArrayLike) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return x and y as float arrays of shape (n,).

    Raises
    ------
    InputError
        They are not one-dimensional or not of one length.
    """
    xs = np.asarray(x, dtype=np.float64)
    ys = np.asarray(y, dtype=np.float64)
    if xs.ndim != 1 or ys.ndim != 1 or xs.size != ys.size:
        raise InputError(f"x and y must be two lists of one length, not of shapes {xs.shape} and {ys.shape}")
    return xs, ys


def _powers_of_x(degree: int, centre: float, half: float) -> list[list[Fraction]]:
    """Return the square matrix that turns Chebyshev coefficients in z into those of powers of x."""
    inner, middle = 1 / Fraction(half), -Fraction(centre) / Fraction(half)
    size = degree + 1
    in_z: list[list[Fraction]] = [[Fraction(0)] * size for _row in range(size)]  # [power of z][chebyshev number]
    for k in range(size):
        # T_0 = 1, T_1 = z, T_k = 2 z T_(k-1) - T_(k-2)
        if k < 2:
            in_z[k][k] = Fraction(1)
            continue
        for power in range(k + 1):
            raised = 2 * in_z[power - 1][k - 1] if power else Fraction(0)
            in_z[power][k] = raised - in_z[power][k - 2]
    out: list[list[Fraction]] = [[Fraction(0)] * size for _row in range(size)]
    for power in range(size):
        for i in range(power + 1):
            share = comb(power, i) * inner**i * middle ** (power - i)
            for k in range(size):
                out[i][k] += share * in_z[power][k]
    return out
