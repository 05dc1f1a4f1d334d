"""Thresholds of the states as they may be written into wearlab.toml."""

from __future__ import annotations

from importlib import resources
from pathlib import Path

import pytest

from wearlab.config import Horizons, read_settings
from wearlab.errors import ConfigError


def written(folder: Path, text: str) -> Path:
    path = folder / "wearlab.toml"
    path.write_text(text, encoding="utf-8")
    return path


def test_the_users_thresholds_are_read(tmp_path: Path) -> None:
    told = read_settings(written(tmp_path, "[horizons]\nbook_chance = 0.3\nbook_leave = 0.2\n")).horizons
    assert (told.book_chance, told.book_leave, told.watch_chance) == (0.3, 0.2, Horizons().watch_chance)


def test_the_file_that_comes_with_a_workspace_states_the_defaults(tmp_path: Path) -> None:
    text = resources.files("pipelines").joinpath("wearlab.toml").read_text("utf-8")
    for name in ("book", "watch", "past"):
        for end in ("chance", "leave"):
            text = text.replace(f"# {name}_{end} =", f"{name}_{end} =")
    told = read_settings(written(tmp_path, text)).horizons
    assert told == Horizons()
    assert set(told.model_fields_set) == set(Horizons.model_fields)


@pytest.mark.parametrize(
    ("line", "words"),
    [
        ("book_leave = 0.6", "book_leave (0.6) must not lie above book_chance (0.5)"),
        ("watch_chance = 0.01", "watch_leave (0.05) must not lie above watch_chance (0.01)"),
        ("past_leave = 0.99", "past_leave"),
        ("book_chance = 50", "less than 1"),
        ("watch_chance = 0", "greater than 0"),
        ("watch_odds = 0.1", "not a known key"),
    ],
)
def test_thresholds_that_cannot_be_are_refused(tmp_path: Path, line: str, words: str) -> None:
    with pytest.raises(ConfigError) as fault:
        read_settings(written(tmp_path, f"[horizons]\n{line}\n"))
    assert words in str(fault.value)
