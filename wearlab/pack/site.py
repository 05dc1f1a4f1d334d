"""A pack as a folder of pages: the first page, the fleet, what it rests on, and a page for each vehicle."""

from __future__ import annotations

import re
from collections.abc import Callable, Collection, Iterable, Iterator
from concurrent.futures import Executor, ProcessPoolExecutor
from concurrent.futures.process import BrokenProcessPool
from contextlib import contextmanager
from dataclasses import dataclass
from multiprocessing import get_context
from pathlib import Path

from wearlab.errors import InputError
from wearlab.pack.links import VEHICLES, page_names
from wearlab.pack.pack_view import PackView, VehicleSheet
from wearlab.pack.pages import ABOUT, FIRST, FLEET, about_html, first_html, fleet_html, vehicle_html

#: told of the drawing after so many vehicles
_EVERY = 25

#: fewer vehicles than this are drawn sooner than another process has begun
_WORTH = 16
#: vehicles that a process is given at a time
_AT_A_TIME = 2

#: how the pages of an earlier pack are told from other files
_OURS = re.compile(rb'<meta name="generator" content="wearlab [^"]*">')


@dataclass(frozen=True, slots=True)
class Written:
    """What was written: the first page, every page by its path below the folder, vehicles without one, bytes."""

    first: Path
    pages: tuple[str, ...]
    left_out: int
    size: int


@contextmanager
def drawers(vehicles: int, workers: int = 2) -> Iterator[Executor | None]:
    """Start processes that draw the pages of so many vehicles, for `write_pack`; none where that would not pay.

    They get ready while this one goes on.
    """
    if workers < 2 or vehicles < _WORTH:
        yield None
        return
    # a fresh interpreter each: what this one holds open (a database, threads) must not be copied into them
    with ProcessPoolExecutor(workers, get_context("spawn")) as pool:
        for _number in range(workers):
            pool.submit(_ready)
        try:
            yield pool
        finally:
            pool.shutdown(cancel_futures=True)


def _ready() -> None:
    """Nothing is left to do where this can be called: all that draws pages and figures is loaded."""


def write_pack(
    view: PackView,
    folder: Path,
    say: Callable[[str], None] | None = None,
    *,
    pool: Executor | None = None,
    first: Collection[str] = (),
    meanwhile: Callable[[], None] | None = None,
) -> Written:
    """Write the pages of a pack into `folder`, which is made when missing.

    Pages of vehicles that an earlier pack of the same month had and this one has not are taken away; other files are
    left alone. The same view always gives the same bytes, whoever draws: this process, or those of a `pool`.
    `meanwhile` is called as soon as the pages of the fleet and of the vehicles of `first` are there.

    Raises
    ------
    InputError
        The folder cannot be written.
    """
    told = say or (lambda text: None)
    shown = view.shown
    names = page_names(vehicle.vehicle for vehicle in shown)
    wanted = set(first)
    order = sorted(shown, key=lambda vehicle: vehicle.vehicle not in wanted)
    early = sum(vehicle.vehicle in wanted for vehicle in shown)
    written: dict[str, int] = {}
    try:
        (folder / VEHICLES).mkdir(parents=True, exist_ok=True)
        _clear(folder / VEHICLES, {Path(name).name for name in names.values()})
        made = _drawn([view.sheet(vehicle) for vehicle in order], pool)
        for name, page in ((FIRST, first_html), (FLEET, fleet_html), (ABOUT, about_html)):
            written[name] = _write(folder / name, page(view, names))
        if not early and meanwhile is not None:
            meanwhile()
        for count, (vehicle, text) in enumerate(zip(order, made, strict=True), start=1):
            written[names[vehicle.vehicle]] = _write(folder / names[vehicle.vehicle], text)
            if count % _EVERY == 0 or count == len(shown):
                told(f"  drawn {count} of {len(shown)} vehicles")
            if count == early and meanwhile is not None:
                meanwhile()
    except OSError as fault:
        raise InputError(f"{folder} cannot be written ({fault.strerror}): choose a folder you may write to") from None
    left_out = len(view.month.vehicles) - len(shown)
    return Written(folder / FIRST, (FIRST, FLEET, *names.values(), ABOUT), left_out, sum(written.values()))


def _drawn(sheets: list[VehicleSheet], pool: Executor | None) -> Iterator[str]:
    """Return the pages of vehicles in their order; with a pool they are drawn from now on."""
    if pool is None:
        return map(vehicle_html, sheets)
    try:
        return _sent(pool.map(vehicle_html, sheets, chunksize=_AT_A_TIME), sheets)
    except BrokenProcessPool:
        return map(vehicle_html, sheets)


def _sent(pages: Iterator[str], sheets: list[VehicleSheet]) -> Iterator[str]:
    done = 0
    try:
        for text in pages:
            yield text
            done += 1
    except BrokenProcessPool:
        # where no process can be started, or one was ended from outside, the rest is drawn here
        yield from map(vehicle_html, sheets[done:])


def _clear(folder: Path, kept: Iterable[str]) -> None:
    """Take away pages of vehicles that this pack does not have."""
    names = set(kept)
    for path in folder.glob("*.html"):
        if path.name not in names and path.is_file() and _OURS.search(path.read_bytes()[:2_000]):
            path.unlink()


def _write(path: Path, text: str) -> int:
    data = text.encode("utf-8")
    path.write_bytes(data)
    return len(data)
