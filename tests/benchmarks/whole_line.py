"""Every command of a month on a fleet of any size, each a process of its own; prints JSON.

python whole_line.py FOLDER VEHICLES        FOLDER is new; the fleet is written into it first

The history is loaded and reported to the end of September; then comes October: its sheets are loaded and everything up
to the pack is made again. Times are of the whole process, memory is the peak of it and of its largest child.
"""

from __future__ import annotations

import json
import os
import sys
import time
from pathlib import Path

from national_fleet import write_fleet

HISTORY, MONTH = "2026-09", "2026-10"
DAYS = {HISTORY: "2026-09-30", MONTH: "2026-10-31"}


def stage(home: Path, log: Path, *words: str) -> dict[str, float]:
    """Run one command in the workspace; seconds, processor seconds, and peak memory in MB."""
    started = time.perf_counter()
    child = os.fork()
    if child == 0:
        os.chdir(home)
        out = os.open(log, os.O_WRONLY | os.O_CREAT | os.O_APPEND)
        os.dup2(out, 1)
        os.dup2(out, 2)
        os.execv(sys.executable, [sys.executable, "-c", "from pipelines.cli import main; main()", *words])
    _, status, used = os.wait4(child, 0)
    if os.waitstatus_to_exitcode(status) not in (0, 1):
        raise SystemExit(f"{' '.join(words)} failed: see {log}")
    return {
        "seconds": time.perf_counter() - started,
        "processor": used.ru_utime + used.ru_stime,
        "peak_mb": used.ru_maxrss / 1024,
    }


def whole_line(folder: Path, vehicles: int) -> dict[str, object]:
    """Write the fleet, then run every command for September and again for October."""
    readings = write_fleet(folder, vehicles)
    home, log = folder / "home", folder / "log.txt"
    stages: dict[str, dict[str, float]] = {}

    def run(name: str, *words: str) -> None:
        stages[name] = stage(home, log, *words)
        sys.stderr.write(
            f"{vehicles} vehicles, {name}: {stages[name]['seconds']:.1f} s, {stages[name]['peak_mb']:.0f} MB\n"
        )

    for month, sheets in ((HISTORY, "sheets"), (MONTH, "month")):
        day = ("--as-of", DAYS[month])
        run(f"load {month}", "load", str(folder / sheets), *day)
        run(f"learn {month}", "learn", *day)
        run(f"signals {month}", "signals", *day)
        run(f"plan {month}", "plan", *day)
        run(f"month {month}", "month", month, *day)
    return {"vehicles": vehicles, "readings": readings, "stages": stages}


if __name__ == "__main__":
    sys.stdout.write(json.dumps(whole_line(Path(sys.argv[1]), int(sys.argv[2]))) + "\n")
