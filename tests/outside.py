"""Programs that are no Python: a test that needs one is skipped where it is missing, but not where all has to run."""

from __future__ import annotations

import os
import shutil

import pytest

#: set by the machine that checks every change
ALL_HAS_TO_RUN = os.environ.get("CI") == "true"


def need(found: object, what: str) -> None:
    """Go on where something was found; else skip the test with a reason, or fail it on the machine that checks."""
    if found:
        return
    if ALL_HAS_TO_RUN:
        pytest.fail(f"{what} is missing on the machine that checks: .ci/programs installs it")
    pytest.skip(f"{what} is missing")


def program(*names: str) -> str:
    """The path of the first of these programs that is there."""
    found = next((path for name in names if (path := shutil.which(name)) is not None), None)
    need(found, names[0])
    return str(found)
