"""For tests with hostile input: bytes changed at random, and the two answers that are allowed to them."""

from __future__ import annotations

import time
from collections.abc import Callable
from pathlib import Path

from hypothesis import strategies as st

from fuzz.harness import one_line
from fuzz.whole import whole_file
from pipelines.sheets.files import find_files, read_file
from pipelines.sheets.raw import RawFile
from wearlab.errors import SheetError, WearlabError

__all__ = ["MOST_S", "TOKENS", "answered", "changed", "one_line", "quick", "whole_file"]

#: Seconds of the processor that one small input may take; a machine that is busy with others takes longer by the clock.
MOST_S = 8.0

#: Texts that mean something to a reader of sheets, of XML or of TOML, where a mutation by chance would not find them.
TOKENS = (
    b"", b"\0", b"\xff", b"\xfe\xff", b"\xff\xfe", b"\xef\xbb\xbf", b'"', b'""', b"'", b"\r", b"\n", b"\r\n", b";",
    b",", b"\t", b"|", b"=", b"{", b"}", b"[", b"]", b"<", b">", b"/>", b"&", b"&amp;", b"&#0;", b"&#xD800;",
    b"<!DOCTYPE a>", b"\\ud800", b"\\u0000", b"1e999", b"-1e999", b"NaN", b"Infinity", b"0000-00-00",
    b"99999-12-31", b"9999-12-31",
    b"9999-12-31T23:59:59.9999", b"2958465.9999", b"99999999999999999999", b"-1", b"0", b"A1", b"XFD1048576", b"ZZZ9",
    b"A0", b't="s"', b't="e"', b't="b"', b's="2"', b"PK\x03\x04", b"PAR1", b"sep=;", b"../", b"true", b"null", b"\xc3",
    "①²፩".encode(), "\u202e\u200b\ufeff".encode(), b"\x1b[2J", b"\x7f",
)  # fmt: skip


@st.composite
def changed(draw: st.DrawFn, whole: bytes, most: int = 6) -> bytes:
    """Return `whole` with up to `most` places cut, doubled, or replaced by a token or by bytes of chance."""
    data = whole
    for _ in range(draw(st.integers(1, most))):
        start = draw(st.integers(0, len(data)))
        end = min(len(data), start + draw(st.integers(0, 12)))
        put = draw(st.sampled_from(TOKENS) | st.binary(max_size=6) | st.just(data[start:end] * 2))
        data = data[:start] + put + data[end:]
    return data


def answered(path: Path, content: bytes) -> list[RawFile]:
    """Read a file and every sheet in it; each answers with rows or with one sentence, in little time."""
    path.write_bytes(content)
    started = time.process_time()
    found: list[RawFile] = []
    for file in find_files([path]):
        try:
            found.append(read_file(file))
        except SheetError as fault:
            one_line(fault)
        else:
            whole_file(found[-1])
    assert time.process_time() - started < MOST_S
    return found


def quick(act: Callable[[], object]) -> WearlabError | None:
    """Do something that may answer with an error of ours; returns it."""
    started = time.process_time()
    try:
        act()
    except WearlabError as fault:
        one_line(fault)
        return fault
    finally:
        assert time.process_time() - started < MOST_S
    return None
