"""What counts as known of the low-pressure side."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest

from wearlab.study.supply import read_note, supply_facts

Maker = Callable[..., Any]


@pytest.mark.parametrize(
    ("note", "pressure", "filter_", "air"),
    [
        ("filter new, no air, supply ok", "good", "good", "good"),
        ("Filter OK no air", "unknown", "good", "good"),
        ("no air; filter changed", "unknown", "good", "good"),
        ("air: no, filter: clean", "unknown", "good", "good"),
        ("filter clogged", "unknown", "bad", "unknown"),
        ("filter overdue and bubbles", "unknown", "bad", "bad"),
        ("air in the sight glass", "unknown", "unknown", "bad"),
        ("supply low, filter not clean", "bad", "bad", "unknown"),
        ("filter not checked", "unknown", "unknown", "unknown"),
        ("air not looked at", "unknown", "unknown", "unknown"),
        ("air?", "unknown", "unknown", "unknown"),
        ("second shot", "unknown", "unknown", "unknown"),
        ("", "unknown", "unknown", "unknown"),
    ],
)
def test_words_of_a_note(note: str, pressure: str, filter_: str, air: str) -> None:
    assert read_note(note) == {"pressure": pressure, "filter": filter_, "air": air}


def test_a_pressure_is_good_or_bad_only_against_the_users_figure(pump: Maker, limit: Maker) -> None:
    rule = limit("least", 1100.0, unit="bar", measure="pump_peak", conditions={"supply_bar": (2.0, 6.0)})
    assert supply_facts(pump(900.0).conditions, [rule]).state == "good"
    assert supply_facts(pump(900.0, supply_bar=0.8).conditions, [rule]).state == "bad"
    alone = supply_facts(pump(900.0).conditions, [])
    assert (alone.state, alone.unknown) == ("unknown", ("supply pressure",))
    assert "no figure of yours" in alone.text
    assert supply_facts(pump(900.0, supply_note="supply ok, filter ok, no air").conditions, []).state == "good"


def test_one_part_left_open_leaves_all_open(pump: Maker, limit: Maker) -> None:
    rule = limit("least", 1100.0, unit="bar", measure="pump_peak", conditions={"supply_bar": (2.0, 6.0)})
    found = supply_facts(pump(900.0, supply_note="filter new").conditions, [rule])
    assert (found.state, found.unknown) == ("unknown", ("air",))
    nothing = supply_facts(pump(900.0, supply_note=None, supply_bar=None).conditions, [rule])
    assert nothing.text == "not recorded"
    assert len(nothing.unknown) == 3
