"""Direct labels at the right end of the lines, moved apart so that none covers another."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from matplotlib.axes import Axes


@dataclass(frozen=True, slots=True)
class Label:
    """A label that belongs to the point (x, y) of the axes' data."""

    x: float
    y: float
    text: str
    colour: str


def write_labels(axes: Axes, labels: Sequence[Label], height: float, taken: Sequence[float]) -> None:
    """Write labels right of axes `height` points high, clear of the levels `taken` by other names."""
    low, high = axes.get_ylim()
    right = axes.get_xlim()[1]
    places = spread([label.y for label in labels], (high - low) / height * 10.0, low, high, taken)
    for label, place in zip(labels, places, strict=True):
        axes.plot(
            [label.x, right], [label.y, place], color=label.colour, linewidth=0.5, alpha=0.6, clip_on=False,
            zorder=1.5,
        )  # fmt: skip
        axes.annotate(
            label.text, xy=(right, place), xytext=(3, 0), textcoords="offset points", ha="left", va="center",
            fontsize=8.5, color=label.colour, annotation_clip=False,
        )  # fmt: skip


def spread(wanted: Sequence[float], step: float, low: float, high: float, taken: Sequence[float] = ()) -> list[float]:
    """Return a place for each wanted level: at least `step` apart, clear of `taken`, moved little.

    Places are chosen among slots a quarter of a step apart between `low` and `high`; the order of the
    levels is kept and the sum of the shifts is the least (dynamic programming over the slots). Where there is
    no room for all of them the wanted levels are returned as they are.
    """
    if not wanted:
        return []
    order = sorted(range(len(wanted)), key=lambda index: (wanted[index], index))
    count = max(1, int((high - low) / (step / 4.0)))
    slots = [low + (high - low) * index / count for index in range(count + 1)]
    free = [slot for slot in slots if all(abs(slot - other) >= step for other in taken)]
    if not free:
        return list(wanted)
    cost = [abs(slot - wanted[order[0]]) for slot in free]
    back: list[list[int]] = []
    for index in order[1:]:
        reach, choice, pointer = float("inf"), -1, 0
        new, picks = [], []
        for slot in free:
            while free[pointer] <= slot - step + step * 1e-9:
                if cost[pointer] < reach:
                    reach, choice = cost[pointer], pointer
                pointer += 1
            new.append(reach + abs(slot - wanted[index]))
            picks.append(choice)
        back.append(picks)
        cost = new
    at = int(np.argmin(cost))
    if not np.isfinite(cost[at]):
        return list(wanted)
    places = [0.0] * len(wanted)
    for rank in range(len(order) - 1, -1, -1):
        places[order[rank]] = free[at]
        if rank:
            at = back[rank - 1][at]
    return places
