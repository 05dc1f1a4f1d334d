"""What the benchmarks share: telling their tables."""

from __future__ import annotations

import sys
from typing import Any

import pytest

from benchmarks.measured import Tell


@pytest.fixture
def tell(capsys: pytest.CaptureFixture[str], benchmark: Any) -> Tell:
    """Show a table with the results, and keep it with the benchmark's own figures."""

    def say(table: str) -> None:
        benchmark.extra_info["told"] = table
        with capsys.disabled():
            sys.stdout.write(f"\n{table}\n")

    return say
