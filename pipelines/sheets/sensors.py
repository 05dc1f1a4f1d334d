"""Readings in volts: which sensor they come from, and what pressure it means."""

from __future__ import annotations

import numpy as np

from pipelines.sheets.cells import Bools, Cells, Floats, Ints
from pipelines.sheets.readings import CODE, Readings
from pipelines.sheets.words import fold
from wearlab.config import Settings
from wearlab.records import Measure
from wearlab.rig_settings import Sensor


def apply_sensors(
    readings: Readings,
    settings: Settings,
    rig: Cells,
    family: Cells | None,
    value: Floats,
    quantity: Ints,
    index: dict[str, int],
    beyond: Bools,
) -> Floats:
    """Make pressures of voltages where the scale of the sensor is known; `value` and `quantity` change in place.

    Returns bar a volt for every reading, NaN where nothing was converted.
    """
    slope = np.full(len(readings), np.nan)
    volts = np.flatnonzero(readings.keep & ~beyond & (quantity == index.get("voltage", -2)))
    pressures = [CODE[measure] for measure in (Measure.PUMP_PEAK, Measure.PUMP_HOLD)]
    volts = volts[np.isin(readings.measure[volts], pressures)]
    if not len(volts) or not settings.sensors:
        return slope
    outside = np.zeros(len(readings), dtype=np.bool_)
    done = outside.copy()
    for place in volts:
        row = readings.row[place]
        sensor = _sensor(
            settings,
            readings.table.layout.defaults.sensor,
            rig.texts[rig.codes[row]],
            "" if family is None else family.texts[family.codes[row]],
        )
        if sensor is None:
            continue
        bar = sensor.pressure(float(value[place]))
        outside[place] = np.isnan(bar)
        done[place] = not outside[place]
        value[place] = bar
        (low, high), (least, most) = sensor.volts, sensor.bar
        slope[place] = (most - least) / (high - low)
        quantity[place] = index["pressure"]
    readings.doubt("sensor_range", outside)
    readings.doubt(
        "converted", done, [f"{value[place]:g} bar by the scale of its sensor" for place in np.flatnonzero(done)]
    )
    return slope


def _sensor(settings: Settings, named: str | None, rig: str, family: str) -> Sensor | None:
    """The one sensor that a reading in volts can come from; None where it is open."""
    sensors = {fold(name): one for name, one in settings.sensors.items()}
    if named is not None:
        return sensors.get(fold(named))
    for key, attribute in ((rig, "rigs"), (family, "families")):
        found = [one for one in sensors.values() if key and fold(key) in map(fold, getattr(one, attribute))]
        if found:
            return found[0] if len(found) == 1 else None
    return None
