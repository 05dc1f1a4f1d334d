"""Keeping what a compiled library writes to standard output out of it, where answers for other programs go.

The search library behind scipy writes a line of its own in rare cases, whatever is asked of it.
"""

from __future__ import annotations

import ctypes
import os
import sys
from collections.abc import Iterator
from contextlib import contextmanager, suppress


@contextmanager
def native_output_to_error() -> Iterator[None]:
    """Send to standard error what compiled code writes to standard output meanwhile, if the system allows it."""
    saved = _turned()
    try:
        yield
    finally:
        if saved is not None:
            _flush()
            os.dup2(saved, 1)
            os.close(saved)


def _turned() -> int | None:
    """Point standard output at standard error; return a copy of what it was, None where there is none."""
    try:
        saved = os.dup(1)
    except OSError:
        return None
    _flush()
    try:
        os.dup2(2, 1)
    except OSError:
        os.close(saved)
        return None
    return saved


def _flush() -> None:
    """Write out what Python and the C library hold back, so that it goes where it was meant to."""
    with suppress(ValueError, OSError, AttributeError):
        sys.stdout.flush()
    with suppress(TypeError, OSError, AttributeError):
        ctypes.CDLL(None).fflush(None)
