"""`wearlab.toml` and layouts against bytes of chance: settings, or one sentence, whatever they hold."""

from __future__ import annotations

import tracemalloc
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from hostile import changed, quick
from pipelines.sheets.layout import parse_layout, read_layouts
from wearlab.config import Settings, read_settings
from wearlab.errors import ConfigError

SETTINGS = b"""
name = "dairy yard"
[families."four-cylinder van"]
cylinders = 4
banks = [["1", "2"], ["3", "4"]]
[protocols."warm idle"]
measure = "return_flow"
driven = "idle"
rail_bar = 280
[[limits]]
name = "return flow"
measure = "return_flow"
protocol = "warm idle"
kind = "most"
value = 20.0
unit = "ml/min"
conditions = { rail_bar = [260, 300] }
valid_from = 2026-01-01
source = "own book, page 3"
[rigs.R1]
tube_ml = 50
[rigs.R1.tubes.2]
tube_ml = 60
[sensors.S]
volts = [0.5, 4.5]
bar = [0, 1800]
[parts]
superseded = { "P 1" = "P 2" }
[parts."P 2"]
fits = ["four-cylinder van"]
part = "injector"
[plan]
lead_days = { "P 2" = 14 }
bay_hours = 40
"""
LAYOUT = b"""
name = "yard book"
kind = "tests"
[file]
encodings = ["cp1252"]
delimiter = ";"
decimal = ","
thousands = ["."]
date_formats = ["%d.%m.%Y"]
[defaults]
measure = "return_flow"
duration = "60 s"
unit = "ml"
[positions]
firing_order = [1, 3, 4, 2]
[marks]
"*" = "foam"
[[columns]]
header = "van"
field = "vehicle"
[[columns]]
header = "day"
field = "date"
[[columns]]
header = "how"
field = "driven"
words = { Leerlauf = "idle" }
[[columns]]
header = "c1"
field = "reading"
position = "1"
rise_to = "1000 bar"
"""
VALUES = st.sampled_from(
    ["nan", "-inf", "inf", "1e999", "-1e999", "0", "-1", "9" * 30, "9" * 5000, '"\\u0000"', '"\\ud800"', "[]", "{}",
     '"②"', '"²"', "0000-01-01", "99999-01-01", "9999-12-31", "0001-01-01", "[[[]]]", "true", '"\\n"', "[nan, nan]"]
)  # fmt: skip


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("hostile")


def _read(folder: Path, content: bytes) -> ConfigError | None:
    path = folder / "wearlab.toml"
    path.write_bytes(content)
    fault = quick(lambda: read_settings(path).model_dump_json())
    assert fault is None or isinstance(fault, ConfigError)
    return fault


def test_what_is_changed_is_good_as_it_is(folder: Path) -> None:
    assert _read(folder, SETTINGS) is None
    assert quick(lambda: parse_layout(LAYOUT, "yard.toml")) is None


@given(changed(SETTINGS))
@settings(max_examples=200)
def test_settings_with_bytes_of_chance(folder: Path, content: bytes) -> None:
    _read(folder, content)


@given(changed(LAYOUT))
@settings(max_examples=200)
def test_layouts_with_bytes_of_chance(content: bytes) -> None:
    quick(lambda: parse_layout(content, "yard.toml"))


@given(st.data(), st.sampled_from((SETTINGS, LAYOUT)))
@settings(max_examples=200)
def test_values_that_cannot_be(folder: Path, data: st.DataObject, whole: bytes) -> None:
    lines = whole.decode().splitlines()
    places = [place for place, line in enumerate(lines) if " = " in line]
    place = data.draw(st.sampled_from(places))
    lines[place] = lines[place].partition(" = ")[0] + " = " + data.draw(VALUES)
    content = "\n".join(lines).encode()
    if whole is SETTINGS:
        _read(folder, content)
    else:
        quick(lambda: parse_layout(content, "yard.toml"))


@pytest.mark.parametrize("number", ["nan", "inf", "-inf", "1e999"])
@pytest.mark.parametrize(
    "lines",
    [
        "[spread]\nidle_percent = {}",
        "[fuel]\nviscosity = [[40, {}], [100, 1.0]]",
        "[protocols.a]\nmeasure = 'pump_peak'\ndriven = 'crank'\nback_pressure_bar = {}",
        "[sensors.a]\nvolts = [0, {}]\nbar = [0, 100]",
        "[costs]\nlabour_per_hour = {}",
        "[horizons]\nbook_chance = {}",
        "[plan]\nmonthly_budget = {}",
    ],
)
def test_numbers_that_are_none_are_refused(folder: Path, lines: str, number: str) -> None:
    assert _read(folder, lines.format(number).encode()) is not None
    assert _read(folder, lines.format("0.45").encode()) is None or "viscosity" in lines


@pytest.mark.parametrize("days", ["every_days", "book_days", "watch_days", "stale_days"])
def test_days_stay_inside_the_calendar(folder: Path, days: str) -> None:
    table = "visits" if days == "every_days" else "horizons"
    assert _read(folder, f"[{table}]\n{days} = 36525".encode()) is None
    assert "less than or equal to 36525" in str(_read(folder, f"[{table}]\n{days} = 36526".encode()))
    assert _read(folder, f"[{table}]\n{days} = {10**18}".encode()) is not None


@pytest.mark.parametrize(
    ("content", "sentence"),
    [
        (b"a = " + b"[" * 100_000, "nested too deeply"),
        (b"a = " + b"{a=" * 20_000, "nested too deeply"),
        (b"a = " + b"1" * 5000, "too many digits"),
        (b".".join([b"a"] * 200_000) + b" = 1", "199,999 dots in line 1"),
        (b"[" + b".".join([b'"a"'] * 5000) + b"]", "4,999 dots in line 1"),
        (b"\n" + b" . ".join([b"1.1"] * 200) + b" = 1", "dots in line 2"),
        (b"a = '" + b"x" * 1_000_000 + b"'", "more than the 1 MB"),
        (b"\xff\xfea\0", "cannot be read as UTF-8"),
        (b'name = "a\\u001b[2J"', 'control character in "a?[2J"'),
        (b'"a\\u0000" = 1', "control character"),
        (b'[families."x\\u0085"]', "control character"),
    ],
)
def test_settings_made_to_harm(folder: Path, content: bytes, sentence: str) -> None:
    tracemalloc.start()
    fault = _read(folder, content)
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    assert sentence in str(fault)
    assert peak < 30_000_000


def test_dots_that_are_no_keys_are_read(folder: Path) -> None:
    speeds = ", ".join(f"[{place}.5, {place}.25]" for place in range(100))
    limit = '[[limits]]\nname = "a"\nmeasure = "pump_peak"\nkind = "line over speed"\nunit = "bar"\nsource = "own"\n'
    assert _read(folder, f"# {'. ' * 60}\nname = 'yard {'.' * 60}'\n{limit}speeds = [{speeds}]".encode()) is None


@pytest.mark.parametrize(
    ("form", "sentence"),
    [("%Y-%Y", "names a part of the date twice"), ("%", "means nothing"), ("%q", "means nothing"), ("%-d", "nothing")],
)
def test_date_formats_that_cannot_be(form: str, sentence: str) -> None:
    assert sentence in str(quick(lambda: parse_layout(LAYOUT.replace(b"%d.%m.%Y", form.encode()), "yard.toml")))


def test_what_is_no_file_of_settings(folder: Path) -> None:
    (folder / "layouts" / "folder.toml").mkdir(parents=True)
    assert "cannot be opened" in str(quick(lambda: read_layouts(folder / "layouts")))
    assert "is missing" in str(quick(lambda: read_settings(folder / "absent.toml")))
    assert "cannot be opened" in str(quick(lambda: read_settings(folder / "layouts")))


def test_nothing_at_all_are_settings(folder: Path) -> None:
    (folder / "wearlab.toml").write_bytes(b"")
    assert read_settings(folder / "wearlab.toml") == Settings()
