"""The fuel section of the settings, and the template that shows it."""

from __future__ import annotations

from pathlib import Path

import pytest

import pipelines
from wearlab.conditions.viscosity import law_of
from wearlab.config import Fuel, read_settings
from wearlab.errors import ConfigError


def _read(tmp_path: Path, text: str) -> Fuel:
    path = tmp_path / "wearlab.toml"
    path.write_text(text, encoding="utf-8")
    return read_settings(path).fuel


def test_default_is_ordinary_road_diesel(tmp_path: Path) -> None:
    fuel = _read(tmp_path, "")
    assert fuel.viscosity == ((40.0, 2.8), (100.0, 1.15))
    assert fuel.uncertainty_percent == 15.0


def test_template_shows_the_defaults() -> None:
    template = Path(pipelines.__file__).parent / "wearlab.toml"
    assert "[fuel]" in template.read_text(encoding="utf-8")
    assert read_settings(template).fuel == Fuel()


def test_own_fuel_reaches_the_law(tmp_path: Path) -> None:
    fuel = _read(tmp_path, "[fuel]\nviscosity = [[100, 0.9], [40, 2.0]]\nuncertainty_percent = 5\n")
    assert float(law_of(fuel).at(40.0)) == pytest.approx(2.0, rel=1e-12)
    assert float(law_of(fuel).at(100.0)) == pytest.approx(0.9, rel=1e-12)


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("viscosity = [[40, 1.0], [100, 2.8]]", "the hotter with the lower viscosity"),
        ("viscosity = [[40, 2.8], [45, 2.5]]", "at least 10 degC apart"),
        ("viscosity = [[40, 2.8]]", "fuel.viscosity"),
        ("viscosity = [[40, 2.8], [100, 0.1]]", "from 0.3 mm2/s"),
        ("viscosity = [[40, 2.8], [100, -1]]", "fuel.viscosity"),
        ("uncertainty_percent = 80", "fuel.uncertainty_percent"),
        ("density = 830", "not a known key"),
    ],
)
def test_impossible_fuels_are_refused(tmp_path: Path, text: str, words: str) -> None:
    with pytest.raises(ConfigError, match=words):
        _read(tmp_path, f"[fuel]\n{text}\n")
