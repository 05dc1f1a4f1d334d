"""An endless line is found piece by piece, wherever the pieces are cut."""

from __future__ import annotations

import random
import re

import pytest

from pipelines.sheets.lines import LineWatch, refuse_long_lines
from wearlab.errors import SheetError


def _first_long(data: bytes, limit: int) -> int | None:
    """The same by splitting: the number of the first line (LF counts, CR ends as well) with more than `limit` bytes."""
    for found in re.finditer(rb"[^\r\n]+", data):
        if len(found.group()) > limit:
            return data.count(b"\n", 0, found.start()) + 1
    return None


def test_pieces_of_any_size_give_the_answer_of_the_whole() -> None:
    dice = random.Random(21)
    long_ones = 0
    for _ in range(400):
        limit = dice.randint(1, 12)
        data = bytes(dice.choices(b"abc\n\r", weights=[6, 6, 6, dice.randint(1, 6), 1], k=dice.randint(0, 120)))
        watch, place, answer = LineWatch(limit), 0, None
        while place < len(data) and answer is None:
            step = dice.randint(1, 30)
            answer = watch.too_long(data[place : place + step])
            place += step
        long_ones += answer is not None
        assert answer == _first_long(data, limit), data
    assert 100 < long_ones < 390


def test_the_limit_is_counted_in_signs() -> None:
    line = "é" * 999_999
    refuse_long_lines("a.csv", f"{line}\n{line}".encode("utf-16-le"), 2)
    with pytest.raises(SheetError, match=r"a\.csv has a line of more than 1 MB \(line 2\)"):
        refuse_long_lines("a.csv", f"x\n{line}yy".encode("utf-16-le"), 2)
