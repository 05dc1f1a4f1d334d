"""A measurement in a process of its own, and how its figures are told."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

HERE = Path(__file__).parent
ROOT = HERE.parents[1]

Figures = dict[str, Any]
Tell = Callable[[str], None]


def measured(script: str, *words: object, patience: float | None = None) -> Figures:
    """Return the figures that a script of this folder prints as JSON; `patience` in seconds."""
    done = subprocess.run(
        [sys.executable, str(HERE / script), *map(str, words)],
        cwd=ROOT,
        env=os.environ | {"PYTHONPATH": f"{ROOT}{os.pathsep}{HERE}", "PYTHONWARNINGS": "ignore"},
        capture_output=True,
        text=True,
        check=True,
        timeout=patience,
    )
    figures: Figures = json.loads(done.stdout)
    return figures
