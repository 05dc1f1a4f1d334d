"""Working scales: on which power of the reading, against which power of exposure, wear runs straight.

A working scale (power, gamma) turns a reading q into y = g(q) and exposure x, scaled to a typical span, into
x^gamma. g is q^power for a positive power, log q for power 0 and -q^power for a negative one, so that it always
rises with q.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from wearlab.errors import InputError
from wearlab.language import _, localised


@dataclass(frozen=True, slots=True)
class WorkingScale:
    """A power of the reading and a power of exposure, both applied before anything is fitted."""

    power: float = 1.0
    gamma: float = 1.0

    def __post_init__(self) -> None:
        if not self.gamma > 0:
            raise InputError(f"the power of exposure is more than 0, not {self.gamma}")

    @property
    def name(self) -> str:
        """The scale in English words, by which runs know it."""
        if self.power == 1 and self.gamma == 1:
            return "straight line"
        if self.power == 1:
            return f"exposure to the power {self.gamma:g}"
        value = {0.0: "logarithm", -1.0: "reciprocal"}.get(self.power, f"power {self.power:.3g}")
        return value if self.gamma == 1 else f"{value}, exposure to the power {self.gamma:g}"

    @property
    def words(self) -> str:
        """The scale in words of the spoken language."""
        exposure = _("exposure to the power {power}", power=localised(f"{self.gamma:g}"))
        if self.power == 1:
            return _("straight line") if self.gamma == 1 else exposure
        named = {0.0: _("logarithm"), -1.0: _("reciprocal")}
        value = named.get(self.power) or _("power {power}", power=localised(f"{self.power:.3g}"))
        return value if self.gamma == 1 else f"{value}, {exposure}"

    def allows(self, q: ArrayLike) -> NDArray[np.bool_]:
        """Return where a reading has a value on this scale; powers other than 1 need q > 0."""
        values = np.asarray(q, dtype=np.float64)
        return np.asarray(np.isfinite(values) if self.power == 1 else values > 0, dtype=np.bool_)

    def forward(self, q: ArrayLike) -> NDArray[np.float64]:
        """Return g(q), shape of q."""
        values = np.asarray(q, dtype=np.float64)
        if self.power == 1:
            return values
        if self.power == 0:
            return np.asarray(np.log(values), dtype=np.float64)
        return np.asarray(np.sign(self.power) * values**self.power, dtype=np.float64)

    def inverse(self, y: ArrayLike) -> NDArray[np.float64]:
        """Return the reading whose value is y; where no reading has it, the nearest end, 0 or infinity."""
        values = np.asarray(y, dtype=np.float64)
        if self.power == 1:
            return values
        with np.errstate(over="ignore", divide="ignore", invalid="ignore"):
            if self.power == 0:
                return np.asarray(np.exp(values), dtype=np.float64)
            base = np.maximum(np.sign(self.power) * values, 0.0)
            return np.asarray(base ** (1.0 / self.power), dtype=np.float64)

    def slope(self, q: ArrayLike) -> NDArray[np.float64]:
        """Return dg/dq at q, always positive."""
        values = np.asarray(q, dtype=np.float64)
        if self.power == 1:
            return np.ones_like(values)
        if self.power == 0:
            return np.asarray(1.0 / values, dtype=np.float64)
        return np.asarray(abs(self.power) * values ** (self.power - 1.0), dtype=np.float64)

    def exposure(self, x: ArrayLike) -> NDArray[np.float64]:
        """Return x^gamma of exposures that are 0 or more."""
        values = np.asarray(x, dtype=np.float64)
        return values if self.gamma == 1 else np.asarray(values**self.gamma, dtype=np.float64)

    def exposure_back(self, xi: ArrayLike) -> NDArray[np.float64]:
        """Return the exposure whose power is xi."""
        values = np.asarray(xi, dtype=np.float64)
        return values if self.gamma == 1 else np.asarray(values ** (1.0 / self.gamma), dtype=np.float64)


#: Reading and exposure as they are.
STRAIGHT = WorkingScale(1.0, 1.0)

#: The scales tried: the straight line first, then powers of the reading, then powers of exposure.
CANDIDATES = (
    STRAIGHT,
    WorkingScale(1 / 3),
    WorkingScale(0.0),
    WorkingScale(-1.0),
    WorkingScale(1.0, 0.7),
    WorkingScale(1.0, 1.5),
    WorkingScale(1.0, 2.0),
    WorkingScale(1.0, 3.0),
)


def scale_words(name: str) -> str:
    """Return the name of a scale, as runs keep it, in words of the spoken language."""
    return next((scale.words for scale in CANDIDATES if scale.name == name), name)
