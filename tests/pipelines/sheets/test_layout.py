"""Layouts: what a TOML may say, and how a sheet finds its own."""

from __future__ import annotations

from pathlib import Path

import pytest

from pipelines.sheets.layout import built_in_layouts, parse_layout, read_layouts
from pipelines.sheets.match import find_layout
from pipelines.sheets.raw import RawSheet
from wearlab.errors import ConfigError, SheetError

BASIC = """
name = "basic"
kind = "tests"
[defaults]
measure = "return_flow"
unit = "ml"
[[columns]]
header = "Van"
field = "vehicle"
[[columns]]
header = "Day"
field = "date"
[[columns]]
header = "Cyl. 1 (ml)"
field = "reading"
position = "1"
"""


def _sheet(*rows: list[str], **more: object) -> RawSheet:
    return RawSheet(None, list(rows), **more)  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("change", "words"),
    [
        (("kind =", "kid ="), ["kid", "not a known key"]),
        (('field = "date"', 'field = "dat"'), ["dat", "no field", "Day"]),
        (('unit = "ml"', 'unit = "spoons"'), ["spoons", "unit"]),
        (('position = "1"', 'position = "left"'), ["left", "position"]),
        (('measure = "return_flow"', ""), ["Cyl. 1 (ml)", "measure"]),
        (('position = "1"', ""), ["Cyl. 1 (ml)", "position"]),
        (('header = "Day"', 'header = "van"'), ["van", "twice"]),
        (('field = "date"', 'field = "date"\nunit = "km"'), ["Day", "unit"]),
        (('name = "basic"', 'name = "basic'), ["TOML"]),
        (('field = "vehicle"', 'field = "ignore"'), ["vehicle"]),
        (('measure = "return_flow"', 'measure = "return_flow"\nduration = "1 hour tea"'), ["1 hour tea"]),
    ],
)
def test_a_layout_that_cannot_be_used_is_refused_with_one_sentence(change: tuple[str, str], words: list[str]) -> None:
    text = BASIC.replace(*change)
    assert text != BASIC
    with pytest.raises(ConfigError) as fault:
        parse_layout(text.encode(), "mine.toml")
    sentence = str(fault.value)
    assert sentence.startswith("mine.toml")
    assert "\n" not in sentence.strip()
    for word in words:
        assert word in sentence


def test_words_must_mean_something() -> None:
    text = BASIC + '[[columns]]\nheader = "How"\nfield = "driven"\nwords = { warm = "warmish" }\n'
    with pytest.raises(ConfigError, match="warmish"):
        parse_layout(text.encode(), "mine.toml")


def test_layouts_of_a_folder_come_before_the_built_in_ones(tmp_path: Path) -> None:
    (tmp_path / "b.toml").write_text(BASIC)
    found = read_layouts(tmp_path)
    assert found[0].name == "basic"
    assert found[1:] == built_in_layouts()
    assert all(layout.built_in for layout in found[1:])


def test_two_layouts_of_one_name_are_refused(tmp_path: Path) -> None:
    (tmp_path / "a.toml").write_text(BASIC)
    (tmp_path / "b.toml").write_text(BASIC)
    with pytest.raises(ConfigError, match="basic"):
        read_layouts(tmp_path)


def test_the_header_is_found_below_titles_and_compared_without_case_and_punctuation() -> None:
    layout = parse_layout(BASIC.encode(), "x")
    match = find_layout(_sheet(["Round of spring"], [], ["VAN ", "day", "Cyl 1 [ML]", "extra"]), [layout])
    assert match is not None
    assert (match.header, match.first) == (2, 3)
    assert [one.index for one in match.columns] == [0, 1, 2]
    assert match.unmapped == ((3, "extra"),)
    assert find_layout(_sheet(["Van", "Day"]), [layout]) is None


def test_two_header_rows_are_joined_and_the_upper_one_spread() -> None:
    text = BASIC.replace('header = "Cyl. 1 (ml)"', 'header = "Return #1 ml"')
    layout = parse_layout(text.replace("[defaults]", "[file]\nheader_rows = 2\n[defaults]").encode(), "x")
    plain = _sheet(["Van", "Day", "Return", ""], ["", "", "#1 ml", "#2 ml"])
    match = find_layout(plain, [layout])
    assert match is not None
    assert match.first == 2
    assert match.unmapped == ((3, "Return #2 ml"),)
    merged = _sheet(["Van", "Day", "Return", "Return"], ["Van", "", "#1 ml", "#2 ml"], merged=((0, 0, 1, 0),))
    again = find_layout(merged, [layout])
    assert again is not None
    assert again.columns[0].name == "Van"


def test_the_layout_that_explains_more_wins_and_a_tie_names_both() -> None:
    small = parse_layout(BASIC.encode(), "x")
    more = BASIC.replace('"basic"', '"more"') + '[[columns]]\nheader = "Km"\nfield = "odometer"\n'
    large = parse_layout(more.encode(), "x")
    sheet = _sheet(["Van", "Day", "Cyl 1 ml", "Km"])
    match = find_layout(sheet, [small, large])
    assert match is not None
    assert match.layout.name == "more"
    twin = parse_layout(BASIC.replace('"basic"', '"twin"').encode(), "x")
    with pytest.raises(SheetError, match=r'"basic" and "twin"'):
        find_layout(_sheet(["Van", "Day", "Cyl 1 ml"]), [small, twin])
    own = twin.model_copy(update={"built_in": True})
    match = find_layout(sheet, [own, small])
    assert match is not None
    assert match.layout.name == "basic"


def test_a_header_that_stands_twice_is_refused() -> None:
    layout = parse_layout(BASIC.encode(), "x")
    with pytest.raises(SheetError, match='"day" twice in row 1'):
        find_layout(_sheet(["Van", "Day", "day", "Cyl 1 ml"]), [layout])
