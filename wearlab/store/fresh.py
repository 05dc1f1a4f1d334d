"""A new store is there whole or not at all: a stopped process or a full disk leaves no file that cannot be opened."""

from __future__ import annotations

import os
import secrets
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path

from wearlab.errors import StoreError


def place_fresh(path: Path, make: Callable[[Path], None]) -> None:
    """Have a file made beside its place and put it there, unless another process was first.

    Raises
    ------
    StoreError
        The folder cannot be written, or what `make` raises; no file is left then.
    """
    if str(path) == ":memory:":
        return
    part = path.with_name(f".{path.name[:40]}.{secrets.token_hex(6)}.part")
    try:
        make(part)
        _put(part, path)
    except OSError as fault:
        raise StoreError(
            f"{path} cannot be made ({fault.strerror or fault}): choose a folder you may write to, with room"
        ) from None
    finally:
        for left in (part, part.with_name(part.name + ".wal")):
            with suppress(OSError):
                left.unlink(missing_ok=True)


def _put(part: Path, path: Path) -> None:
    """Give a file its name; one that another process put there meanwhile stays."""
    try:
        os.link(part, path)  # fails where the name is taken, in one move
    except FileExistsError:
        return
    except OSError:  # a disk without links
        if not path.exists():
            part.rename(path)
