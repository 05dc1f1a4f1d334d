"""The reference of the settings is made from the program, and says something of every key."""

from __future__ import annotations

from pathlib import Path

from pipelines.steps.settings_reference import settings_reference

PAGE = Path(__file__).parents[3] / "docs" / "configuration.md"


def test_the_page_is_what_the_program_reads() -> None:
    assert PAGE.read_text("utf-8") == settings_reference(), 'run "make reference"'


def test_every_key_has_its_meaning_and_kind() -> None:
    rows = [line.split(" | ") for line in settings_reference().splitlines() if line.startswith("| `")]
    assert len(rows) > 80
    assert not [row[0] for row in rows if not row[1].strip() or not row[2].strip()]
