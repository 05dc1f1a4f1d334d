"""Layouts and settings of the demo as TOML text, made from the same constants as the sheets."""

from __future__ import annotations

from pipelines.demo import scenario as sc
from pipelines.demo.columns import SheetKind, Value
from pipelines.demo.prices import prices_text


def layout_text(kind: SheetKind) -> str:
    """Return the layout of one kind of sheet as TOML."""
    lines = [f"# {kind.about}", f"name = {_toml(kind.name)}", f"kind = {_toml(kind.kind)}"]
    for title, keys in (("file", kind.file), ("defaults", kind.defaults)):
        if keys:
            lines += ["", f"[{title}]", *(f"{key} = {_toml(value)}" for key, value in keys.items())]
    for column in kind.columns:
        keys = {"header": column.header, "field": column.field, **column.more}
        lines += ["", "[[columns]]", *(f"{key} = {_toml(value)}" for key, value in keys.items())]
    return "\n".join(lines) + "\n"


def _toml(value: Value) -> str:
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, int | float):
        return f"{value:g}"
    if isinstance(value, list):
        return "[" + ", ".join(_toml(item) for item in value) + "]"
    if isinstance(value, dict):
        return "{ " + ", ".join(f"{_toml(key)} = {_toml(item)}" for key, item in value.items()) + " }"
    return '"' + value.replace("\\", "\\\\").replace('"', '\\"').replace("\u00a0", "\\u00a0") + '"'


_HEAD = """\
# Settings of the demo: an invented milk-collection haulier with three depots and 60 vehicles.
# The limits below are made up for this fleet; the engine totals while cranking have a published form and figures.
# None of them judges a real engine: replace them by your own.

name = "milk collection, three depots"

[visits]
every_days = 182

[protocols."warm idle"]
measure = "return_flow"
driven = "idle"
rail_bar = {rail:g}
duration_s = {idle_s:g}
injectors_connected = true
also_called = ["idle", "hot idle", "tick-over"]

[protocols."crank 30 s"]
measure = "return_flow"
driven = "crank"
duration_s = 30
injectors_connected = false
metering_valve = "unplugged, open without current"

[protocols."crank 15 s"]
measure = "return_flow"
driven = "crank"
duration_s = 15
injectors_connected = false
metering_valve = "unplugged, open without current"

[protocols."closed volume 20 ml"]
measure = "pump_peak"
driven = "crank"
injectors_connected = false
metering_valve = "unplugged, open without current"
volume_ml = 20

[protocols."closed volume 20 ml, to {rise_to:g} bar"]
measure = "pump_rise"
driven = "crank"
injectors_connected = false
metering_valve = "unplugged, open without current"
volume_ml = 20
rise_to_bar = {rise_to:g}
"""
_RIG = """
[rigs."{rig.name}"]
depot = "{rig.depot}"
channels = 6
tube_ml = {rig.tube_ml:g}
graduation_ml = {rig.graduation_ml:g}
volume_ml = 20
limiter_bar = {rig.limiter_bar:g}
gauge_bar = {rig.gauge_bar:g}
calibrate_every_days = 365
"""
_FAMILY = """
[families."{family.name}"]
cylinders = {family.cylinders}
injector = "solenoid"
exposure = "km"
"""
_LIMITS = """
[[limits]]
name = "{short}: return flow at idle"
measure = "return_flow"
protocol = "warm idle"
family = "{family.name}"
kind = "most"
value = {family.idle_limit_ml:g}
unit = "ml"
over_s = {idle_s:g}
conditions = {{ rail_bar = [250, 310], fuel_temp_c = [30, 60], duration_s = {idle_s:g} }}
source = "invented for the demo"

[[limits]]
name = "{short}: pump peak"
measure = "pump_peak"
protocol = "closed volume 20 ml"
family = "{family.name}"
kind = "least"
value = {family.peak_limit_bar:g}
unit = "bar"
conditions = {{ speed_rpm = [{slow:g}, {quick:g}], supply_bar = [3.5, 6], volume_ml = 20 }}
source = "invented for the demo"

[[limits]]
name = "{short}: pump rise to {rise_to:g} bar"
measure = "pump_rise"
protocol = "closed volume 20 ml, to {rise_to:g} bar"
family = "{family.name}"
kind = "most"
value = {family.rise_limit_s:g}
unit = "s"
conditions = {{ speed_rpm = [{slow:g}, {quick:g}], supply_bar = [3.5, 6], volume_ml = 20 }}
source = "invented for the demo"
"""
_SET = """
[[limits]]
name = "idle set: times the lowest"
measure = "return_flow"
protocol = "warm idle"
kind = "times lowest"
value = 3
source = "invented for the demo, in a form that is used in the trade"
"""

_CRANK_TOTAL = """
# published for cranking at 150 rpm; asked here at the fleet's own cranking speeds
[[limits]]
name = "{number}: engine total while cranking"
measure = "return_flow"
protocol = "crank 30 s"
cylinders = {cylinders}
kind = "set total most"
value = {value:g}
unit = "ml"
over_s = 30
conditions = {{ speed_rpm = [{slow:g}, {quick:g}], duration_s = 30 }}
source = "published form: an engine maker's special instruction; the figures stand here for the invented fleet"
"""


def settings_text() -> str:
    """Return the demo's wearlab.toml."""
    parts = [_HEAD.format(rail=sc.IDLE_RAIL_BAR, idle_s=sc.IDLE_S, rise_to=sc.RISE_TO_BAR)]
    parts += [_FAMILY.format(family=family) for family in sc.FAMILIES]
    parts += [_RIG.format(rig=rig) for rig in sc.RIGS.values()]
    totals = []
    for family in sc.FAMILIES:
        slow, quick = round(0.82 * family.crank_rpm, -1), round(1.18 * family.crank_rpm, -1)
        parts.append(
            _LIMITS.format(
                family=family, short=family.name.split()[-1], idle_s=sc.IDLE_S, rise_to=sc.RISE_TO_BAR,
                slow=slow, quick=quick,
            )
        )  # fmt: skip
        totals.append(
            _CRANK_TOTAL.format(
                number=f"{family.name.split('-')[0]} cylinders", cylinders=family.cylinders,
                value=sc.CRANK_TOTAL_MOST_ML[family.cylinders], slow=slow, quick=quick,
            )
        )  # fmt: skip
    return "".join([*parts, _SET, *totals, prices_text()])
