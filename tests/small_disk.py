"""A disk of its own that can be filled or made read-only, where the system lets a test mount one."""

from __future__ import annotations

import os
import shutil
import subprocess
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest


class SmallDisk:
    """A mounted disk in memory."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self._filler = folder / "filler"

    def fill(self) -> None:
        """Leave no byte free."""
        with self._filler.open("wb", buffering=0) as file:
            for size in (1 << 16, 1 << 12, 1):
                try:
                    while file.write(bytes(size)):
                        pass
                except OSError:
                    continue
        assert shutil.disk_usage(self.folder).free == 0

    def clear(self) -> None:
        """Make room again."""
        self._filler.unlink()

    def shut(self, *, read_only: bool) -> None:
        """Make the whole disk read-only, or writable again."""
        how = "remount,ro" if read_only else "remount,rw"
        for _ in range(20):  # a process that has just ended may still hold a file
            if subprocess.run(["mount", "-o", how, str(self.folder)], capture_output=True).returncode == 0:
                return
            time.sleep(0.1)
        pytest.fail(f"the disk cannot be made {'read-only' if read_only else 'writable'}")


@contextmanager
def mounted(folder: Path, size: str = "24m") -> Iterator[SmallDisk]:
    """Mount a disk at a new folder; the test is skipped where that is not allowed."""
    folder.mkdir()
    if os.name != "posix" or os.geteuid() != 0 or shutil.which("mount") is None:
        pytest.skip("only root can mount a disk; the same faults are tried by a limit on the size of files")
    words = ["mount", "-t", "tmpfs", "-o", f"size={size}", "tmpfs", str(folder)]
    if subprocess.run(words, capture_output=True).returncode != 0:
        pytest.skip("no disk can be mounted here; the same faults are tried by a limit on the size of files")
    try:
        yield SmallDisk(folder)
    finally:
        subprocess.run(["umount", "-l", str(folder)], capture_output=True)
