"""The demo's pack on paper: the first page on two sides of A4, a vehicle's page on one."""

from __future__ import annotations

from pathlib import Path

from outside import need
from wearlab.pack.pdf import make_pdf, pdf_can_be_made
from wearlab.records import NoAnswer

MONTH = "2026-10"
#: of the vehicles every so manieth is laid out: enough to see whether nine in ten have one side
EVERY = 4


def sides(folder: Path, name: str) -> int:
    """How many sides a page takes where it is printed."""
    made = make_pdf([(name, (folder / name).read_text("utf-8"))], folder, title="demo")
    assert not isinstance(made, NoAnswer)
    return made.pages


def test_two_sides_decide_and_a_vehicle_has_one(demo_home: Path) -> None:
    need(pdf_can_be_made(), "Pango")
    folder = demo_home / "reports" / MONTH
    assert sides(folder, "index.html") <= 2
    names = sorted(path.relative_to(folder).as_posix() for path in folder.glob("vehicles/*.html"))[::EVERY]
    assert len(names) >= 15
    one = sum(sides(folder, name) == 1 for name in names)
    assert one >= 0.9 * len(names), f"{one} of {len(names)}"
