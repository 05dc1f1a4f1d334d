"""The rig and tube of every reading, with their sizes; NaN where neither sheet, rig sheet nor settings say it."""

from __future__ import annotations

import numpy as np

from pipelines.sheets.cells import Cells, Floats, Ints
from pipelines.sheets.readings import CODE, Readings
from pipelines.sheets.table import SheetTable
from pipelines.sheets.words import fold
from wearlab.config import Settings
from wearlab.records import PUMP, SET, Measure
from wearlab.rig_settings import Rig


def rigs_of(table: SheetTable, settings: Settings) -> Cells:
    known = {fold(name): name for name in settings.rigs}
    return table.text("rig").words(lambda text: known.get(fold(text), text))


def channels_of(table: SheetTable, readings: Readings, rig: Cells) -> Cells:
    """The tube of each reading: as the sheet says, else (with a rig) the one of the cylinder's number."""
    if table.one("channel") is not None:
        return table.text("channel").at(readings.row)
    flow = readings.measure == CODE[Measure.RETURN_FLOW]
    tubes = flow & ~rig.blank[readings.row]
    codes, texts = readings.position.codes, readings.position.texts
    plain = Cells(codes, ["" if text in (PUMP, SET) else text for text in texts])
    if tubes.all():
        return plain.words(str)
    blank = len(texts)
    return Cells(np.where(tubes, codes, blank), [*plain.texts, ""]).words(str)


def tubes_of(
    table: SheetTable, readings: Readings, settings: Settings, rig: Cells, channel: Cells
) -> tuple[Floats, Floats, Floats]:
    """Size (ml), graduation (ml) and area (mm2) of each reading's tube; NaN where unknown."""
    figures = np.full((3, len(readings)), np.nan)
    rig_code = rig.codes[readings.row]
    for code, name in enumerate(rig.texts):
        found = settings.rigs.get(name)
        if found is None:
            continue
        here = rig_code == code
        for place, text in enumerate(channel.texts):
            where = here & (channel.codes == place)
            if where.any():
                figures[:, where] = np.array(_tube(found, text))[:, None]
    for place, name in enumerate(("tube", "graduation")):
        rows = table.quantity(name, least=0.0)
        default = table.fixed(getattr(table.layout.defaults, name), "volume")
        said = np.where(np.isnan(rows), default, rows)[readings.row]
        figures[place] = np.where(np.isnan(said), figures[place], said)
    return figures[0], figures[1], figures[2]


def _tube(rig: Rig, channel: str) -> tuple[float, float, float]:
    own = rig.tubes.get(channel)
    pairs = (
        (own.tube_ml if own else None, rig.tube_ml),
        (own.graduation_ml if own else None, rig.graduation_ml),
        (own.area_mm2 if own else None, rig.area_mm2),
    )
    found = [next((value for value in pair if value is not None), float("nan")) for pair in pairs]
    return found[0], found[1], found[2]


def limiters_of(settings: Settings, rig: Cells, row: Ints) -> Floats:
    return rig.floats(lambda name: _known(settings.rigs[name].limiter_bar if name in settings.rigs else None))[row]


def gauges_of(settings: Settings, rig: Cells, row: Ints) -> Floats:
    return rig.floats(lambda name: _known(settings.rigs[name].gauge_bar if name in settings.rigs else None))[row]


def _known(value: float | None) -> float:
    return float("nan") if value is None else value
