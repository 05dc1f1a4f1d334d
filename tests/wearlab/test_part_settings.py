"""What may be said of part numbers, and the sentences for what may not."""

from __future__ import annotations

from pathlib import Path

import pytest

from wearlab.config import read_settings
from wearlab.errors import ConfigError

FAMILY = '[families."van"]\ncylinders = 4\n'


def written(tmp_path: Path, text: str) -> Path:
    path = tmp_path / "wearlab.toml"
    path.write_text(FAMILY + text, encoding="utf-8")
    return path


def test_old_numbers_lead_to_the_one_ordered_today(tmp_path: Path) -> None:
    text = '[parts]\nsuperseded = { "A" = "B", "B" = "C" }\n[parts."C"]\nfits = ["van"]\npart = "pump"\n'
    parts = read_settings(written(tmp_path, text)).parts
    assert [parts.current(number) for number in "ABCD"] == ["C", "C", "C", "D"]
    assert parts.ordered_for("van", "pump") == "C"
    assert parts.ordered_for("van", "injector") is None
    assert parts.ordered_for(None, "pump") is None


@pytest.mark.parametrize(
    ("text", "sentence"),
    [
        ('[parts]\nsuperseded = { "A" = "B", "B" = "A" }', "back to itself"),
        ('[parts]\nsuperseded = { "A" = "B" }\n[parts."A"]\npack = 2', 'write its table for "B"'),
        ('[parts."A"]\nfits = ["van"]', "belong together"),
        ('[parts."A"]\npart = "pump"', "belong together"),
        ('[parts."A"]\nfits = ["bus"]\npart = "pump"', 'unknown family "bus"'),
        (
            '[parts."A"]\nfits = ["van"]\npart = "pump"\n[parts."B"]\nfits = ["van"]\npart = "pump"',
            '"A" and "B" are both ordered',
        ),
        ('[parts."A"]\nservice_percent = 100', "less than 100"),
        ('[parts."A"]\nshort_cost = 4', "belong together"),
        ('[parts."A"]\nshort_cost = 4\nspare_cost = 1\nservice_percent = 90', "one or the other"),
        ('[parts."A"]\nshort_cost = 4\nspare_cost = 0', "above zero"),
        ('[parts."A"]\npacks = 2', "not a known key"),
        ("[parts]\nsuperceded = 3", "superceded"),
    ],
)
def test_what_cannot_be_meant_is_refused(tmp_path: Path, text: str, sentence: str) -> None:
    with pytest.raises(ConfigError, match=sentence):
        read_settings(written(tmp_path, text))
