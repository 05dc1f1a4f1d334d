"""A file that is there whole or not at all."""

from __future__ import annotations

import os
import secrets
import shutil
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import BinaryIO

from wearlab.errors import InputError

#: characters of the name that the half-written file keeps
_NAME = 40


def write_whole(path: Path, content: bytes) -> None:
    """Write a file beside its place and move it there, so that a reader sees the old one or the new one.

    A file that is there is replaced and keeps its permissions; of a link, what it points to.

    Raises
    ------
    InputError
        It cannot be written; what was there stays as it was.
    """
    with whole_file(path) as out:
        out.write(content)


@contextmanager
def whole_file(path: Path, verify: Callable[[Path], None] | None = None) -> Iterator[BinaryIO]:
    """Yield a file to write to that takes its place when the block ends, and does not when it fails.

    `verify` : looks at the written file before it takes its place, and raises where it is not what it should be.

    Raises
    ------
    InputError
        It cannot be written; what was there stays as it was.
    """
    part: Path | None = None
    try:
        target = path.resolve()
        part = target.with_name(f".{target.name[:_NAME]}.{secrets.token_hex(6)}.part")
        with part.open("x+b") as out:
            yield out
            out.flush()
            os.fsync(out.fileno())
        if verify is not None:
            verify(part)
        if target.exists():
            shutil.copymode(target, part)
        part.replace(target)
    except (OSError, RuntimeError, ValueError) as fault:
        if part is not None:
            _remove(part)
        why = getattr(fault, "strerror", None) or fault
        raise InputError(f"{path} cannot be written ({why}): close it elsewhere or name another place") from None
    except BaseException:
        if part is not None:
            _remove(part)
        raise


def _remove(part: Path) -> None:
    """What cannot be removed either is left: the first fault is the one to tell."""
    try:
        part.unlink(missing_ok=True)
    except (OSError, ValueError):
        return
