"""What the four targets share: one input at a time, a fault kept by the place it comes from, never an end before time.

A target is a function of bytes that returns nothing. It may raise a `WearlabError` of one line, which is the answer to
a file that cannot be read; anything else is a fault. A fault is written to a folder under the name of its place, the
smallest input that reaches it only, and the run goes on, so that one shallow fault does not hide the deep ones.
"""

from __future__ import annotations

import hashlib
import os
import sys
import traceback
from collections.abc import Callable
from pathlib import Path
from typing import Any

import duckdb

from wearlab.errors import WearlabError

#: Folder for faults; without it the first fault ends the run, as is usual.
KEEP = "WEARLAB_FUZZ_FAULTS"


def one_line(fault: WearlabError) -> None:
    """Check that an answer is one finished line that a screen and the store can hold."""
    text = str(fault)
    assert text.strip(), "an error without a sentence"
    assert text.isprintable(), f"a sentence with signs that do not print: {text!r}"
    assert len(text) < 2000, f"a sentence of {len(text)} signs"
    text.encode("utf-8")


def one_thread() -> None:
    """Have DuckDB use one thread: several of a fuzzer that runs beside other work wait for each other for seconds."""
    connect = duckdb.connect

    def connected(*words: Any, config: dict[str, Any] | None = None, **more: Any) -> duckdb.DuckDBPyConnection:
        return connect(*words, config={**(config or {}), "threads": 1}, **more)

    duckdb.connect = connected


def judged(target: Callable[[bytes], None]) -> Callable[[bytes], None]:
    """Wrap a target: errors of ours are checked, faults are kept or raised."""
    folder = os.environ.get(KEEP)

    def one_input(data: bytes) -> None:
        try:
            try:
                target(data)
            except WearlabError as answer:
                told = answer.__traceback__
                try:
                    one_line(answer)
                except AssertionError as fault:
                    raise fault.with_traceback(told) from None
        except (KeyboardInterrupt, SystemExit):
            raise
        except BaseException as fault:  # a panic of a foreign library is no Exception
            if folder is None:
                raise
            _keep(Path(folder), data, fault)

    return one_input


def _keep(folder: Path, data: bytes, fault: BaseException) -> None:
    frames = traceback.extract_tb(fault.__traceback__)
    ours = [f"{Path(one.filename).name}:{one.lineno}" for one in frames if "site-packages" not in one.filename]
    place = f"{type(fault).__name__} {' '.join(ours[-3:])}"
    name = hashlib.sha256(place.encode()).hexdigest()[:12]
    kept = folder / name
    if kept.exists() and kept.stat().st_size <= len(data):
        return
    folder.mkdir(parents=True, exist_ok=True)
    told = "".join(traceback.format_exception(fault))[-4000:]
    kept.write_bytes(data)
    kept.with_suffix(".txt").write_text(f"{place}\n{told}", encoding="utf-8", errors="replace")
    sys.stderr.write(f"FAULT {name} {len(data)} bytes: {place}\n")
