"""The search where readings lie beyond the scale: EM steps, speeded up by Anderson mixing.

One EM step takes the expected values of the readings beyond the scale at the present coefficients and variances, then
the best coefficients and one average-information step for the variances. Alone it creeps where many readings are
beyond the scale. Anderson mixing combines the last few steps so that what they left over cancels; a mixed step that
lowers the likelihood is thrown away and the memory with it (Walker and Ni 2011).
"""

from __future__ import annotations

import numpy as np

from wearlab.wear.blocks import Floats

#: Steps that are combined.
MEMORY = 6


class Mixing:
    """The memory of the last steps of a fixed-point search."""

    def __init__(self) -> None:
        self._points: list[Floats] = []
        self._images: list[Floats] = []

    def forget(self) -> None:
        """Start afresh."""
        self._points.clear()
        self._images.clear()

    def next(self, point: Floats, image: Floats, weight: Floats) -> Floats:
        """Return where to go on from `point`, (d,), whose plain step leads to `image`; `weight` scales coordinates."""
        self._points.append(point)
        self._images.append(image)
        del self._points[: -MEMORY - 1], self._images[: -MEMORY - 1]
        left = [(b - a) * weight for a, b in zip(self._points, self._images, strict=True)]
        if len(left) < 2:
            return image
        change = np.stack([left[k + 1] - left[k] for k in range(len(left) - 1)], axis=1)
        moved = np.stack([self._images[k + 1] - self._images[k] for k in range(len(left) - 1)], axis=1)
        share = np.linalg.lstsq(change, left[-1], rcond=1e-8)[0]
        out: Floats = image - moved @ share
        return out if np.isfinite(out).all() else image
