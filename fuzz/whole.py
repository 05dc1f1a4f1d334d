"""What must hold of every file that was read, whatever its bytes."""

from __future__ import annotations

from itertools import pairwise

from pipelines.sheets.raw import RawFile

_KINDS = ("csv", "xlsx", "xlsm", "ods", "parquet", "jsonl")


def whole_file(raw: RawFile) -> None:
    """Check a file as read: rows are texts that a store can keep, numbers rise, typed cells lie inside the table."""
    assert raw.kind in _KINDS
    assert len(raw.sha256) == 64
    assert raw.size > 0
    assert raw.sheets
    for note in raw.notes:
        assert note.isprintable(), note
    for sheet in raw.sheets:
        for note in sheet.notes:
            assert note.isprintable(), note
        numbers = [sheet.row_number(index) for index in range(len(sheet.rows))]
        assert all(later > before for before, later in pairwise(numbers)), "numbers do not rise"
        assert sheet.row_numbers is None or len(sheet.row_numbers) == len(sheet.rows)
        for row in sheet.rows:
            for cell in row:
                assert type(cell) is str, type(cell)
                cell.encode("utf-8")
        for cells in (sheet.date_cells, sheet.number_cells):
            for row_index, column in cells:
                assert 0 <= row_index < len(sheet.rows)
                assert 0 <= column < len(sheet.rows[row_index]), "a typed cell outside its row"
        for top, left, bottom, right in sheet.merged:
            assert 0 <= top <= bottom < len(sheet.rows)
            assert 0 <= left <= right
