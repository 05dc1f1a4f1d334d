"""`wearlab learn` past one machine: partitions laid for other machines, and learnt from without a database."""

from __future__ import annotations

from contextlib import AbstractContextManager, nullcontext
from dataclasses import astuple, dataclass
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING, Any

from pipelines.cli.common import console, show_json, status_line
from pipelines.workspace import Workspace
from wearlab.errors import InputError

if TYPE_CHECKING:
    from pipelines.steps.partition_run import Runner

#: processes started on this machine where nothing else is said
WORKERS = 2


@dataclass(frozen=True, slots=True)
class Given:
    """The options of `wearlab learn` that belong to partitions, as they were given."""

    partitions: Path | None
    results: Path | None
    scheduler: str | None
    workers: int | None
    tls_ca: Path | None
    tls_cert: Path | None
    tls_key: Path | None

    @property
    def any(self) -> bool:
        """Whether any of them was given."""
        return any(value is not None for value in astuple(self))


def lay(folder: Path, given: Given, place: Workspace, as_of: date, *, as_json: bool) -> None:
    """Lay the partitions of a workspace and print what they hold."""
    from pipelines.steps.partitions import lay_partitions

    if given.any:
        raise InputError("--lay writes partitions and learns nothing: learn from them in a second command")
    with place.open() as db, status_line(quiet=as_json) as say:
        made = lay_partitions(db, place, as_of, folder, say=say)
    groups = [
        {key: one[key] for key in ("measure", "protocol", "readings", "vehicles", "parts")}
        | {"partitions": len(one["shares"])}
        for one in made["groups"]
    ]
    if as_json:
        show_json({"as_of": as_of, "folder": folder, "groups": groups})
        return
    for one in groups:
        console().print(_line(one))
    console().print(f'Learn from them: wearlab learn --partitions "{folder}" --results NEW')


def learn(given: Given, as_of: str | None, *, as_json: bool) -> None:
    """Learn from partitions and print what came of it."""
    if given.partitions is None or given.results is None:
        raise InputError("name the folder of partitions with --partitions DIR and a new one with --results DIR")
    if as_of is not None:
        raise InputError("partitions are laid for one day: give --as-of with --lay")
    from pipelines.steps.partition_run import learn_partitions

    with _runner(given) as runner, status_line(quiet=as_json) as say:
        run = learn_partitions(given.partitions, given.results, runner, say=say)
    if as_json:
        show_json(run)
        return
    for one in run["groups"]:
        console().print(f"{_line(one | {'partitions': len(one['shares'])})}: {one['status']}")
        if "no_answer" in one:
            console().print(f"  {one['no_answer']}")
    console().print(f"Levels, rates and forecasts are in {given.results}.")


def _runner(given: Given) -> AbstractContextManager[Runner]:
    tls = (given.tls_ca, given.tls_cert, given.tls_key)
    if given.scheduler is None and any(tls):
        raise InputError("--tls-ca, --tls-cert and --tls-key belong to --scheduler tls://HOST:PORT")
    if given.scheduler is None and given.workers == 0:
        from pipelines.steps.partition_run import Here

        return nullcontext(Here())
    from pipelines.steps.distributed import Certificates, workers_here, workers_of

    if given.scheduler is None:
        return workers_here(WORKERS if given.workers is None else given.workers)
    authority, certificate, key = tls
    files = (
        None if authority is None or certificate is None or key is None else Certificates(authority, certificate, key)
    )
    return workers_of(given.scheduler, files, given.workers or None)


def _line(one: dict[str, Any]) -> str:
    counts = ((one["readings"], "reading"), (one["parts"], "part"), (one["vehicles"], "vehicle"))
    readings, parts, vehicles = (f"{count:,} {word}{'' if count == 1 else 's'}" for count, word in counts)
    number = one["partitions"]
    where = f"{number:,} partition{'' if number == 1 else 's'}"
    return f"{one['measure']}, {one['protocol']}: {readings} of {parts} on {vehicles} in {where}"
