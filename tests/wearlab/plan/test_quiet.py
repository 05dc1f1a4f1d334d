"""What compiled code writes to standard output comes out on standard error instead."""

from __future__ import annotations

import subprocess
import sys

SCRIPT = """
import ctypes
from wearlab.plan.quiet import native_output_to_error
print("before")
with native_output_to_error():
    ctypes.CDLL(None).puts(b"from below")
print("after")
"""


def test_native_output_leaves_standard_output_alone() -> None:
    done = subprocess.run([sys.executable, "-c", SCRIPT], capture_output=True, text=True, check=True)
    assert done.stdout.split() == ["before", "after"]
    assert done.stderr.split() == ["from", "below"]
