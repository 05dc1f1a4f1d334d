"""The control charts of a month's open signals: every group that has one is fitted once more, then drawn."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable
from concurrent.futures import Executor
from typing import Any

from pipelines.steps.compare import fitted_again
from pipelines.steps.control_figures import signal_figure
from pipelines.steps.signals import SignalsTold, chosen
from pipelines.steps.wear_data import group_data
from wearlab.charts.control_series import ControlFigure
from wearlab.charts.words import measure_words
from wearlab.config import Settings
from wearlab.pack.fleet_pictures import Picture
from wearlab.pack.signal_pictures import control_pictures
from wearlab.records import NoAnswer
from wearlab.store.database import Database


def signal_pictures(
    db: Database,
    settings: Settings,
    told: SignalsTold,
    say: Callable[[str], None] | None = None,
    pool: Executor | None = None,
) -> dict[str, Picture]:
    """Return the picture of each open signal by its key; a signal of a month, which has none, is not among them.

    Those of one group are drawn by a `pool` while the next one is fitted.
    """
    groups: dict[tuple[str, str], list[dict[str, Any]]] = defaultdict(list)
    for signal in chosen(told, only_open=True):
        groups[signal["measure"], signal["protocol"]].append(signal)
    drawn = []
    for (measure, protocol), signals in sorted(groups.items()):
        if say is not None:
            say(f"  control charts: {measure_words(measure)}, {protocol}")
        group = group_data(db, settings, measure, protocol, told.as_of)
        fit = fitted_again(db, group)
        if isinstance(fit, NoAnswer):
            continue
        figures: dict[str, ControlFigure] = {}
        for signal in signals:
            figure = signal_figure(db, settings, group, fit, told, signal)
            if figure is not None:
                figures[signal["key"]] = figure
        drawn.append((tuple(figures), control_pictures(tuple(figures.values()), pool)))
    return {key: picture for keys, pictures in drawn for key, picture in zip(keys, pictures, strict=True)}
