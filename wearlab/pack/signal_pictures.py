"""The control chart of a signal as a page shows it, drawn by whichever process."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from concurrent.futures import Executor
from concurrent.futures.process import BrokenProcessPool
from functools import partial

from wearlab.charts.control import control_chart
from wearlab.charts.control_series import ControlFigure, control_table
from wearlab.language import speaking, spoken
from wearlab.pack.fleet_pictures import Picture
from wearlab.pack.pictures import Table


def control_pictures(figures: Sequence[ControlFigure], pool: Executor | None = None) -> Iterator[Picture]:
    """Return the picture of every figure in its order; with a pool, its processes draw them from now on."""
    here = spoken()
    drawn = partial(_drawn, name=here.name, locale=here.locale)
    if pool is None:
        return map(drawn, figures)
    try:
        return _received(pool.map(drawn, figures), figures)
    except BrokenProcessPool:
        return map(drawn, figures)


def _received(pictures: Iterator[Picture], figures: Sequence[ControlFigure]) -> Iterator[Picture]:
    here, done = spoken(), 0
    try:
        for picture in pictures:
            yield picture
            done += 1
    except BrokenProcessPool:
        yield from (_drawn(one, here.name, here.locale) for one in figures[done:])


def _drawn(figure: ControlFigure, name: str, locale: str) -> Picture:
    with speaking(name, locale):
        return Picture(control_chart(figure), Table(*control_table(figure)))
