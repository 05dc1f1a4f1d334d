"""The monthly pack of a learned workspace in a process of its own, its time by stages and its peak memory; prints JSON.

python measure_pack.py demo FOLDER              the demo in FOLDER/home, loaded and learned
python measure_pack.py fleet FOLDER VEHICLES    a simulated fleet in FOLDER/home, loaded and learned
python measure_pack.py pack HOME                its pack of October, written anew
python measure_pack.py plain HOME PAGE ...      WeasyPrint alone: pages of that pack, each as it stands
"""

from __future__ import annotations

import json
import resource
import subprocess
import sys
import time
from collections.abc import Callable
from datetime import date
from itertools import pairwise
from pathlib import Path
from typing import Any

from measure import peak_mb

MONTH, DAY = "2026-10", date(2026, 10, 31)
VISITS = 12
#: stages of a pack as functions of the step that writes it; those of the last line go on while pages are drawn
STAGES = (
    "plan_told", "parts_told", "gather_fleet", "first_page", "month_view", "fleet_page", "about_page",
    "signal_pictures", "write_pack",
    "write_month_workbook", "write_month_pdf",
)  # fmt: skip


def _command(home: Path, *words: str) -> None:
    call = [sys.executable, "-c", "from pipelines.cli import main; main()", *words]
    done = subprocess.run(call, cwd=home, capture_output=True, text=True, check=False)
    if done.returncode not in (0, 1):
        raise SystemExit(done.stdout + done.stderr)


def demo(folder: Path) -> dict[str, Any]:
    """Make the demo's workspace; the pack that this writes too is the first one, with everything cold."""
    _command(folder, "demo", "home")
    return {}


def fleet(folder: Path, vehicles: int) -> dict[str, Any]:
    """Write a fleet of twelve visits a vehicle, load it and learn from it, to the end of September and of October."""
    from national_fleet import write_fleet

    readings = write_fleet(folder, vehicles, VISITS)
    for sheets, day in (("sheets", "2026-09-30"), ("month", DAY.isoformat())):
        _command(folder / "home", "load", str(folder / sheets), "--as-of", day)
        _command(folder / "home", "learn", "--as-of", day)
    return {"readings": readings}


def pack(home: Path) -> dict[str, Any]:
    """Write the pack; `seconds` begin before anything is imported, as a command does."""
    started = time.perf_counter()
    from pipelines.steps import month, month_files
    from pipelines.workspace import open_workspace

    stages = {"imports": time.perf_counter() - started}
    told: list[tuple[float, str]] = []
    pages: list[str] = []

    def timed(name: str, call: Callable[..., Any]) -> Callable[..., Any]:
        def run(*given: Any, **named: Any) -> Any:
            begin = time.perf_counter()
            try:
                return call(*given, **named)
            finally:
                stages[name] = stages.get(name, 0.0) + time.perf_counter() - begin

        return run

    def kept(given: Any, folder: Path, **named: Any) -> Any:
        pages.extend(name for name, _ in given)
        return laid_out(given, folder, **named)

    laid_out, month_files.make_pdf = month_files.make_pdf, kept
    for name in STAGES:
        setattr(month, name, timed(name, getattr(month, name)))
    done = month.write_month(
        open_workspace(home), MONTH, DAY, say=lambda text: told.append((time.perf_counter() - started, text))
    )
    seconds = time.perf_counter() - started
    moments = [0.0, *(moment for moment, _ in told), seconds]
    own, others = (resource.getrusage(who) for who in (resource.RUSAGE_SELF, resource.RUSAGE_CHILDREN))
    return {
        "seconds": seconds,
        "stages": stages,
        "processor": sum(used.ru_utime + used.ru_stime for used in (own, others)),
        "peak_drawer_mb": others.ru_maxrss * (1 / 1e6 if sys.platform == "darwin" else 1024 / 1e6),
        "silence": max(after - before for before, after in pairwise(moments)),
        "pages": pages,
        "written": len(list((home / "reports" / MONTH / "vehicles").glob("*.html"))),
        "pdf": done["pdf"] is not None,
    }


def plain(home: Path, *pages: str) -> dict[str, Any]:
    """Lay out the pages of a PDF one by one with the library as it comes, and write each; its import is not counted."""
    import weasyprint

    folder = home / "reports" / MONTH
    started, used = time.perf_counter(), time.process_time()
    for page in pages:
        weasyprint.HTML(filename=folder / page).write_pdf()
    return {"seconds": time.perf_counter() - started, "processor": time.process_time() - used}


if __name__ == "__main__":
    job, where, *more = sys.argv[1:]
    words = [int(word) if job == "fleet" else word for word in more]
    result = {"demo": demo, "fleet": fleet, "pack": pack, "plain": plain}[job](Path(where), *words)
    sys.stdout.write(json.dumps(result | {"peak_mb": peak_mb()}) + "\n")
