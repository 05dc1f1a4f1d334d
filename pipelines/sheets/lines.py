"""Lines of a text that are too long for any row of a sheet, found without splitting the text."""

from __future__ import annotations

from wearlab.errors import SheetError

#: Longest line that is read, in signs; a longer one is no row of a sheet.
LONGEST_LINE = 1_000_000

#: Lines and cells of a text that are read. A row takes about a hundred bytes of memory, a cell eight and its text.
MOST_LINES = 10_000_000
MOST_TEXT_CELLS = 100_000_000


def refuse_long_lines(label: str, data: bytes, wide: int) -> None:
    """Refuse a text with a line of more than `LONGEST_LINE` signs of `wide` bytes."""
    line = LineWatch(LONGEST_LINE * wide).too_long(data)
    if line is not None:
        raise endless_line(label, line)


def refuse_many_lines(label: str, data: bytes) -> None:
    """Refuse a text of more than `MOST_LINES` lines, blank ones too, before any of them is a row in memory."""
    lines = max(data.count(b"\n"), data.count(b"\r"))
    if lines > MOST_LINES:
        raise SheetError(f"{label} has {lines:,} lines, more than the {MOST_LINES:,} that are read: split it")


def refuse_many_cells(label: str, data: bytes, delimiter: str, encoding: str) -> None:
    """Refuse a text of more than `MOST_TEXT_CELLS` cells, empty ones too."""
    try:
        cells = data.count(delimiter.encode(encoding))
    except UnicodeEncodeError:  # the text cannot hold that sign
        return
    if cells > MOST_TEXT_CELLS:
        raise SheetError(f"{label} has {cells:,} cells, more than the {MOST_TEXT_CELLS:,} that are read: split it")


def endless_line(label: str, line: int) -> SheetError:
    """Return the error for a line without end."""
    return SheetError(f"{label} has a line of more than 1 MB (line {line}): expected rows of a sheet, export it again")


class LineWatch:
    """Looks over a text piece by piece. Without a known encoding a sign may have two bytes, hence the limit."""

    def __init__(self, limit: int = 2 * LONGEST_LINE) -> None:
        self._limit = limit
        self._open = 0  # bytes since the last line end
        self._ended = 0  # lines that have ended, as an editor counts them

    def too_long(self, piece: bytes) -> int | None:
        """Take the next piece; returns the number of the first line that exceeds the limit, else None."""
        start = 0
        while start + self._limit - self._open < len(piece):
            end = _last_end(piece, start, start + self._limit - self._open + 1)
            if end < 0:
                return self._ended + piece.count(b"\n", 0, start) + 1
            start, self._open = end + 1, 0
        end = _last_end(piece, start, len(piece))
        self._open = self._open + len(piece) - start if end < 0 else len(piece) - end - 1
        self._ended += piece.count(b"\n")
        return None


def _last_end(piece: bytes, start: int, stop: int) -> int:
    return max(piece.rfind(b"\n", start, stop), piece.rfind(b"\r", start, stop))
