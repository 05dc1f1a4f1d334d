"""Learning from partitions: every group fitted over its shares, every share's parts forecast where it is read.

No database is needed. The fit and the forecasts are those of `learn`; who goes over the shares is handed in.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass, fields
from pathlib import Path
from typing import Any, Protocol, TypeVar

import numpy as np

from pipelines.steps.corrections import Corrected
from pipelines.steps.group_rows import Ints
from pipelines.steps.partition_files import empty_folder, manifest_sha256, proved, read_manifest, write_json
from pipelines.steps.partition_forecasts import Job, forecast_share
from pipelines.steps.partition_readings import whole_readings
from pipelines.steps.wear_learn import NO_ANSWER, fitted
from wearlab import __version__
from wearlab.charts.words import measure_words
from wearlab.config import Settings
from wearlab.errors import StoreError
from wearlab.language import speak
from wearlab.records import NoAnswer
from wearlab.wear.blocks import Blocks
from wearlab.wear.data import WearData
from wearlab.wear.executor import Executor
from wearlab.wear.results import WearFit
from wearlab.wear.scale_fit import ScaleFit
from wearlab.wear.share import summary_of
from wearlab.wear.stacking import ScaleChoice

RUN = "run.json"

Item = TypeVar("Item")
Result = TypeVar("Result")


@dataclass(frozen=True, slots=True, eq=False)
class Laid:
    """The readings of one group as they lie: folder, what the manifest says, and the places of each share's readings
    among all of them."""

    folder: Path
    meta: Mapping[str, Any]
    data: WearData
    rows: list[Ints]


class Runner(Protocol):
    """Who goes over the shares of a group, for its fit and for its forecasts."""

    def executor(self, laid: Laid) -> Executor | None:
        """Return who goes over the chunks in the fit; None: threads of this process."""
        ...

    def each(self, work: Callable[[Item], Result], items: Iterable[Item]) -> Iterator[Result]:
        """Yield the results of a pure function in the order of the items."""
        ...


class Here:
    """This process alone."""

    def executor(self, laid: Laid) -> Executor | None:
        """Return None: threads of this process."""
        return None

    def each(self, work: Callable[[Item], Result], items: Iterable[Item]) -> Iterator[Result]:
        """Yield the results of a function, one after the other."""
        return map(work, items)


def learn_partitions(
    folder: Path, out: Path, runner: Runner, *, say: Callable[[str], None] | None = None
) -> dict[str, Any]:
    """Fit and forecast everything in a folder of partitions; write levels, rates and forecasts into a new folder.

    Returns what the run's manifest says.

    Raises
    ------
    InputError
        The folder for the results is not empty.
    StoreError
        A partition is missing, cut short or changed, or was laid by another version; or nothing can be written.
    """
    told = say or (lambda text: None)
    folder, out = folder.resolve(), out.resolve()  # workers stand elsewhere
    manifest = read_manifest(folder)
    if manifest["wearlab"] != __version__:
        raise StoreError(
            f"{folder} was laid by wearlab {manifest['wearlab']}, this is {__version__}: lay the partitions again"
        )
    told("looking at the partitions")
    for group in manifest["groups"]:
        for share in group["shares"]:
            for file in share["files"].values():
                proved(folder, file)  # now, and not after hours
    empty_folder(out)
    settings = Settings.model_validate_json(json.dumps(manifest["settings"]))
    speak(settings.words.language, settings.words.locale)
    groups = [_group(folder, out, manifest, number, runner, told) for number in range(len(manifest["groups"]))]
    run = {
        "wearlab": __version__,
        "as_of": manifest["as_of"],
        "settings_sha256": manifest["settings_sha256"],
        "facts_sha256": manifest["facts_sha256"],
        "partitions_sha256": manifest_sha256(manifest),
        "groups": groups,
    }
    write_json(out / RUN, run)
    return run


def _group(
    folder: Path, out: Path, manifest: Mapping[str, Any], number: int, runner: Runner, told: Callable[[str], None]
) -> dict[str, Any]:
    meta = manifest["groups"][number]
    name = f"{measure_words(meta['measure'])}, {meta['protocol']}"
    said = {key: meta[key] for key in ("measure", "protocol", "unit", "parts", "vehicles", "readings")}
    fit: WearFit | NoAnswer = NoAnswer(meta["silent"] or "")
    rows: list[Ints] = []
    if meta["silent"] is None:
        told(f"{name}: reading")
        data, rows = whole_readings(folder, meta)
        laid = Laid(folder, meta, data, rows)

        def progress(number: int, criterion: float, expected: float) -> None:
            told(f"{name}: pass {number} of the fit")

        fit = fitted(
            data,
            None if meta["previous"] is None else _choice(meta["previous"]),
            None if meta["corrected"] is None else _corrected(meta["corrected"]),
            progress=progress,
            executor=runner.executor(laid),
        )
        if isinstance(fit, WearFit):
            same_blocks(laid, fit.best.design.blocks)
    common = {key: value for key, value in manifest.items() if key != "groups"}
    bare = {key: value for key, value in meta.items() if key != "shares"}
    told(f"{name}: forecasts")

    def jobs() -> Iterator[Job]:
        for k, share in enumerate(meta["shares"]):
            summary = fit if isinstance(fit, NoAnswer) else summary_of(fit, rows[k], range(*share["chunks"]))
            yield Job(folder, out, f"g{number:02d}-s{k:05d}", common, bare, share, summary)

    return said | _fit_told(fit, meta) | {"shares": list(runner.each(forecast_share, jobs()))}


def same_blocks(laid: Laid, made: Blocks) -> None:
    """Make sure that the chunks a fit makes are those that the partitions hold.

    Raises
    ------
    StoreError
        They are not: the partitions were made by another program.
    """
    widths = [width for share in laid.meta["shares"] for width in share["widths"]]
    if widths != [chunk.rows.shape[1] for chunk in made.chunks]:
        raise StoreError(f"{laid.folder} holds other blocks than this program makes: lay the partitions again")


def _corrected(told: Mapping[str, Any]) -> Corrected:
    return Corrected(float(told["factor"]), tuple(told["sentences"]))


def _choice(told: Mapping[str, Any]) -> ScaleChoice:
    return ScaleChoice(
        names=tuple(told["names"]),
        scores=np.array([np.nan if score is None else score for score in told["scores"]], dtype=np.float64),
        weights=np.array(told["weights"], dtype=np.float64),
        vehicles=int(told["vehicles"]),
        sentence=str(told["sentence"]),
    )


def _fit_told(fit: WearFit | NoAnswer, meta: Mapping[str, Any]) -> dict[str, Any]:
    """What a run's manifest says of the fit of one group."""
    if isinstance(fit, NoAnswer):
        return {"status": NO_ANSWER, "no_answer": fit.reason, "notes": list(meta["notes"])}
    return {
        "status": fit.best.status,
        "notes": [*meta["notes"], *fit.notes],
        "choice": None if fit.choice is None else fit.choice.sentence,
        "candidates": [_candidate(one, float(weight)) for one, weight in zip(fit.candidates, fit.weights, strict=True)],
    }


def _candidate(fit: ScaleFit, weight: float) -> dict[str, Any]:
    pairs = zip(fit.fixed.names, fit.fixed.estimate.tolist(), fit.fixed.sd.tolist(), strict=True)
    return {
        "scale": fit.scale.name,
        "weight": weight,
        "status": fit.status,
        "passes": len(fit.trace),
        "criterion": fit.criterion,
        "variances": {
            field.name: [_number(getattr(one, field.name)) for one in (fit.variances, fit.variance_se)]
            for field in fields(fit.variances)
        },
        "coefficients": {name: [_number(estimate), _number(sd)] for name, estimate, sd in pairs},
    }


def _number(value: float) -> float | None:
    return float(value) if np.isfinite(value) else None
