"""How far a load has come: it only grows, ends with everything, and names what is done to which file."""

from __future__ import annotations

from typing import Any

from pipelines.sheets.progress import Progress

LAYOUT = """
name = "long"
kind = "tests"
[defaults]
measure = "return_flow"
driven = "idle"
duration = "60 s"
unit = "ml"
"""
COLUMNS = """
van | vehicle
day | date
cyl | position
ml | value
"""
HEADER = "van,day,cyl,ml\n"


def test_progress_grows_to_the_size_of_all_files(bench: Any, columns: Any) -> None:
    bench.layout(LAYOUT + columns(COLUMNS))
    rows = "".join(f"E1,2025-02-{day:02d},1,{day}\n" for day in range(1, 29))
    paths = [
        bench.write("a.csv", HEADER + rows),
        bench.write("b.csv", HEADER + rows.replace("E1", "E22")),
        bench.write("picture.csv", "%PDF-1.7 nothing"),
        bench.folder / "missing.csv",
    ]
    seen: list[Progress] = []
    bench.load(*paths, on_progress=seen.append)
    total = sum(path.stat().st_size for path in paths[:3])
    assert {one.total for one in seen} == {total}
    done = [one.done for one in seen]
    assert done == sorted(done)
    assert done[-1] == total
    assert {(one.file, one.doing) for one in seen} >= {
        ("a.csv", "reading"),
        ("a.csv", "checking"),
        ("a.csv", "storing"),
        ("a.csv", "loaded"),
        ("b.csv", "loaded"),
        ("picture.csv", "refused"),
        ("missing.csv", "refused"),
    }


def test_nobody_listening_changes_nothing(bench: Any, columns: Any) -> None:
    bench.layout(LAYOUT + columns(COLUMNS))
    (account,) = bench.load(bench.write("a.csv", HEADER + "E1,2025-02-01,1,12\n"))
    assert account.status == "loaded"
