"""The committed demo: made again it is the same, it is small, and settings, layouts, sheets fit together."""

from __future__ import annotations

import csv
import io
from pathlib import Path

import openpyxl
import pytest

from pipelines.demo.columns import SHEET_KINDS, SheetKind
from pipelines.demo.scenario import FAMILIES, SEED
from pipelines.demo.write import demo_files, write_demo
from pipelines.sheets.layout import parse_layout
from wearlab.config import read_settings

COMMITTED = Path(__file__).parents[3] / "datasets_demo"
BY_HAND = {"README.md"}


@pytest.fixture(scope="module")
def made() -> dict[str, bytes]:
    return demo_files()


def _cells(content: bytes) -> dict[str, object]:
    book = openpyxl.load_workbook(io.BytesIO(content))
    return {
        page.title: ([list(row) for row in page.values], sorted(map(str, page.merged_cells.ranges)))
        for page in book.worksheets
    }


def test_made_again_it_is_what_is_committed(made: dict[str, bytes]) -> None:
    found = {p.relative_to(COMMITTED).as_posix() for p in COMMITTED.rglob("*") if p.is_file()}
    assert found - BY_HAND == set(made)
    for name, content in made.items():
        committed = (COMMITTED / name).read_bytes()
        if name.endswith(".xlsx"):
            assert _cells(content) == _cells(committed)
        else:
            assert content == committed, name


def test_another_seed_gives_another_fleet(made: dict[str, bytes], tmp_path: Path) -> None:
    write_demo(tmp_path, SEED + 1)
    name = "sheets/north_pump.csv"
    assert (tmp_path / name).read_bytes() != made[name]
    assert (tmp_path / "wearlab.toml").read_bytes() == made["wearlab.toml"]


def test_under_three_megabytes() -> None:
    assert sum(p.stat().st_size for p in COMMITTED.rglob("*") if p.is_file()) < 3_000_000


def test_settings_are_read_and_every_limit_says_where_it_is_from() -> None:
    settings = read_settings(COMMITTED / "wearlab.toml")
    assert set(settings.families) == {family.name for family in FAMILIES}
    assert len(settings.rigs) == 3
    assert settings.limits
    for rule in settings.limits:
        assert "invented" in rule.source
        assert rule.protocol in settings.protocols
        assert settings.protocols[rule.protocol].measure == rule.measure


def test_engine_totals_while_cranking_have_the_published_figures() -> None:
    # an engine maker's special instruction: 38 ml in 30 s of six cylinders, 25 ml of four, while cranking
    rules = [rule for rule in read_settings(COMMITTED / "wearlab.toml").limits if rule.kind == "set total most"]
    found = {rule.cylinders: (rule.value, rule.unit, rule.over_s, rule.protocol) for rule in rules}
    assert found == {6: (38.0, "ml", 30.0, "crank 30 s"), 4: (25.0, "ml", 30.0, "crank 30 s")}
    assert all(rule.source.startswith("published form") for rule in rules)


def _header_rows(kind: SheetKind) -> list[list[str]]:
    """Headers as they stand in the committed sheets, two rows joined, read without the project's readers."""
    found = []
    for path in sorted((COMMITTED / "sheets").glob(f"{kind.stem}*")):
        if path.suffix == ".xlsx":
            for page in openpyxl.load_workbook(path).worksheets:
                upper, lower = ([c.value or "" for c in row] for row in page.iter_rows(min_row=3, max_row=4))
                for area in page.merged_cells.ranges:
                    if area.min_row == 3:
                        upper[area.min_col - 1 : area.max_col] = [upper[area.min_col - 1]] * (area.size["columns"])
                found.append([f"{a} {b}".strip() for a, b in zip(upper, lower, strict=True)])
            continue
        text = path.read_bytes().decode(str((kind.file["encodings"] or ["utf-8"])[0]))  # type: ignore[index]
        rows = list(csv.reader(io.StringIO(text, newline=""), delimiter=str(kind.file["delimiter"])))
        found.append(rows[1] if path.name.startswith("north") else rows[0])
    return found


@pytest.mark.parametrize("kind", SHEET_KINDS, ids=lambda kind: kind.stem)
def test_layout_names_the_headers_of_its_sheets(kind: SheetKind) -> None:
    path = COMMITTED / "layouts" / f"{kind.stem}.toml"
    layout = parse_layout(path.read_bytes(), path.name)
    rows = _header_rows(kind)
    assert rows
    for headers in rows:
        assert headers == [column.header for column in layout.columns]


def test_every_sheet_has_a_layout() -> None:
    stems = tuple(kind.stem for kind in SHEET_KINDS)
    assert all(p.name.startswith(stems) for p in (COMMITTED / "sheets").iterdir())


def test_no_cell_reads_as_a_formula_and_every_row_is_full() -> None:
    for path in (COMMITTED / "sheets").glob("*.csv"):
        text = path.read_bytes().decode("cp1252" if path.name.startswith("north") else "utf-8")
        delimiter = ";" if path.name.startswith(("north", "fuel")) else ","
        rows = list(csv.reader(io.StringIO(text, newline=""), delimiter=delimiter))
        assert len({len(row) for row in rows}) == 1, path.name
        assert not [cell for row in rows for cell in row if cell.startswith(("=", "+", "@"))], path.name
