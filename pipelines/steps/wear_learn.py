"""The wear model of one group: fitted, and put into the tables of the store."""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from pipelines.steps.corrections import Corrected
from pipelines.steps.group_rows import Floats, Ints
from pipelines.steps.series import NO_SUPPLY
from pipelines.steps.wear_data import GroupData
from pipelines.steps.wear_effects import effects
from wearlab.language import _, msg
from wearlab.records import NoAnswer
from wearlab.store.database import Database
from wearlab.units import rate_unit
from wearlab.wear.data import WearData
from wearlab.wear.executor import Executor
from wearlab.wear.group import fit_group
from wearlab.wear.results import Parts, WearFit
from wearlab.wear.stacking import ScaleChoice

#: word of the forecast table for this way
METHOD = msg("wear model")

#: a group with a larger share of readings beyond the scale is not modelled: pumps at the limiter have their rise time
MOST_BEYOND = 2 / 3

#: status of a group that the model cannot answer for
NO_ANSWER = "no answer"


@dataclass(frozen=True, slots=True, eq=False)
class Learned:
    """A group, its fit and what that says of its parts (None without an answer).

    `place` (P,) leads from a life of the group to the fit's parts, -1 where it has none.
    """

    group: GroupData
    fit: WearFit | NoAnswer
    parts: Parts | None
    place: Ints


def learned(
    db: Database,
    group: GroupData,
    workers: int = 2,
    progress: Callable[[int, float, float], None] | None = None,
    corrected: Corrected | None = None,
) -> Learned:
    """Fit one group; the weights of its working scales go on from the last run.

    `corrected` is what looking back on hidden tests taught of the width of this group's intervals.
    """
    lives = len(group.lives)
    place = np.full(lives, -1, dtype=np.int64)
    silent = why_no_fit(group)
    if silent is not None or group.data is None:
        return Learned(group, NoAnswer(silent or ""), None, place)
    previous = previous_choice(db, group.measure, group.protocol)
    fit = fitted(group.data, previous, corrected, workers=workers, progress=progress)
    if isinstance(fit, NoAnswer):
        return Learned(group, fit, None, place)
    parts = fit.parts
    place[np.asarray(parts.part, dtype=np.int64)] = np.arange(len(parts.part))
    return Learned(group, fit, parts, place)


def fitted(
    data: WearData,
    previous: ScaleChoice | None,
    corrected: Corrected | None,
    *,
    workers: int = 2,
    progress: Callable[[int, float, float], None] | None = None,
    executor: Executor | None = None,
) -> WearFit | NoAnswer:
    """Fit the readings of one group, and widen what is told by what looking back on hidden tests taught."""
    try:
        fit = fit_group(data, previous=previous, workers=workers, progress=progress, executor=executor)
    except (np.linalg.LinAlgError, ArithmeticError) as fault:
        # one group that cannot be computed must not keep the others from their answer
        why = _("the fit of this group broke off ({error}): its parts are told by a line each", error=fault)
        return NoAnswer(why)
    return fit if isinstance(fit, NoAnswer) or corrected is None else widened(fit, corrected)


def why_no_fit(group: GroupData) -> str | None:
    """Say why a group is not fitted at all; None where it is."""
    if group.data is None:
        return _("no reading of this group may be used: {why}", why="; ".join(group.notes))
    beyond, count = int(np.count_nonzero(group.rows.bound[group.fitted])), group.fitted.size
    if beyond > MOST_BEYOND * count:
        return _(
            "{beyond} of {n} readings lie beyond the scale, so the rest tell no trend of all", beyond=beyond, n=count
        )
    return None


def widened(fit: WearFit, corrected: Corrected) -> WearFit:
    """Multiply every standard deviation of a fit, so that levels, forecasts and states all follow."""
    mean, variance = fit.smoothed
    return replace(
        fit,
        mixed=fit.mixed.scaled(corrected.factor),
        smoothed=(mean, variance * corrected.factor**2),
        notes=(*fit.notes, *corrected.sentences),
    )


def previous_choice(db: Database, measure: str, protocol: str) -> ScaleChoice | None:
    """The weights of the working scales as the last run left them."""
    found = db.rows(
        "SELECT scale_weights, scale_note FROM wear_group WHERE measure = ? AND protocol = ? "
        "AND scale_weights IS NOT NULL ORDER BY run_id DESC LIMIT 1",
        [measure, protocol],
    )
    if not found:
        return None
    told = json.loads(found[0][0])
    return ScaleChoice(
        names=tuple(told["weights"]),
        scores=np.array([np.nan if score is None else score for score in told["scores"]], dtype=np.float64),
        weights=np.array(list(told["weights"].values()), dtype=np.float64),
        vehicles=int(told["vehicles"]),
        sentence=str(found[0][1] or ""),
    )


def store(db: Database, run: int, found: Learned) -> None:
    """Put one group's results into the tables. Call it inside a transaction."""
    db.append("wear_group", _group_row(run, found))
    fit = found.fit
    db.append("part_state", part_states(run, found))
    if isinstance(fit, NoAnswer):
        return
    told = [{"run_id": run, "measure": found.group.measure, "protocol": found.group.protocol, **row}
            for row in effects(fit, found.group)]  # fmt: skip
    if told:
        db.append("wear_effect", pd.DataFrame(told, dtype=object))
    db.append("part_path", _paths(run, found, fit))
    db.append("wear_gross", _gross(run, found, fit))


def _group_row(run: int, found: Learned) -> pd.DataFrame:
    group, fit = found.group, found.fit
    rows = group.rows
    row = {
        "run_id": run,
        "measure": group.measure,
        "protocol": group.protocol,
        "unit": group.unit,
        "exposure_unit": "km",
        "readings": group.fitted.size,
        "vehicles": np.unique(rows.vehicle[group.fitted]).size,
        "parts": group.codes.size,
        "scale": None,
        "scale_weights": None,
        "scale_note": None,
        "status": NO_ANSWER,
        "steps": None,
        "criterion": None,
        "notes": list(group.notes),
    }
    if isinstance(fit, NoAnswer):
        row |= {"scale_note": fit.reason}
    else:
        best = fit.best
        row |= {
            "scale": best.scale.name,
            "status": best.status,
            "steps": len(best.trace),
            "criterion": float(best.criterion),
            "notes": [*group.notes, *fit.notes],
        }
        if fit.choice is not None:
            row |= {"scale_weights": _choice_text(fit.choice), "scale_note": fit.choice.sentence}
    return pd.DataFrame([row], dtype=object)


def _choice_text(choice: ScaleChoice) -> str:
    return json.dumps(
        {
            "weights": dict(zip(choice.names, map(float, choice.weights), strict=True)),
            "scores": [float(score) if np.isfinite(score) else None for score in choice.scores],
            "vehicles": choice.vehicles,
        }
    )


def part_states(run: int, found: Learned) -> pd.DataFrame:
    """One row a life of the group, with or without an answer."""
    group, parts, place = found.group, found.parts, found.place
    rows, lives = group.rows, group.lives
    count = len(lives)
    told = place >= 0
    frame = {
        "run_id": np.full(count, run),
        "vehicle": rows.vehicles[lives.vehicle],
        "position": lives.seat,
        "part": lives.part,
        "life": lives.life,
        "measure": np.full(count, group.measure, dtype=object),
        "protocol": np.full(count, group.protocol, dtype=object),
        "readings": group.per_life_fitted,
        "visits": _visits(group),
        "beyond": np.bincount(rows.life[group.fitted[rows.bound[group.fitted] != 0]], minlength=count),
        "last_test": rows.day[lives.last].astype("datetime64[D]"),
        "exposure_km": rows.exposure_km[lives.last],
        "rate_unit": np.full(count, rate_unit(group.unit), dtype=object),
        "reference": group.reference,
        "outside": group.per_life(group.outside),
    }
    why = why_silent(found)
    rate_why = why.copy()
    if parts is None:
        empty = np.full(count, np.nan)
        frame |= dict.fromkeys(_FIGURES, empty)
    else:
        at = np.maximum(place, 0)
        for name in _FIGURES:
            frame[name] = np.where(told, np.asarray(getattr(parts, name), dtype=np.float64)[at], np.nan)
        frame["exposure_km"] = np.where(told, np.asarray(parts.last_exposure)[at], frame["exposure_km"])
        rate_why = np.where(told, np.asarray(parts.rate_no_answer, dtype=object)[at], why)
    return pd.DataFrame(frame | {"no_answer": why, "rate_no_answer": rate_why})


#: columns of part_state that are attributes of the fit's parts
_FIGURES = (
    "level", "level_low", "level_high", "rate", "rate_low", "rate_high", "next_low", "next_high", "new_low", "new_high"
)  # fmt: skip


def _visits(group: GroupData) -> Ints:
    rows = group.rows
    fitted = group.fitted
    pair = np.unique(np.column_stack([rows.life[fitted], rows.day[fitted]]), axis=0)
    return np.bincount(pair[:, 0], minlength=len(group.lives)).astype(np.int64)


def why_silent(found: Learned) -> np.ndarray[tuple[int], np.dtype[np.object_]]:
    """Why a life has no answer, (P,) sentences or None."""
    group, fit, place = found.group, found.fit, found.place
    why = np.full(len(group.lives), None, dtype=object)
    counts = {
        msg("{n} outside the range of correction or the limit's own conditions"): group.per_life(group.outside),
        msg("{n} without a usable odometer"): group.per_life(group.unplaced & ~group.outside),
        NO_SUPPLY: group.per_life(group.unsupplied & ~group.unplaced & ~group.outside),
    }
    nothing = _("no reading of this part may be used")
    for code in np.flatnonzero(place < 0):
        left = [_(words, n=number[code]) for words, number in counts.items() if number[code]]
        reason = f"{nothing} ({', '.join(left)})" if left else None
        why[code] = reason or (fit.reason if isinstance(fit, NoAnswer) else nothing)
    if found.parts is not None:
        answered = np.flatnonzero(place >= 0)
        why[answered] = np.asarray(found.parts.no_answer, dtype=object)[place[answered]]
    return why


def _paths(run: int, found: Learned, fit: WearFit) -> pd.DataFrame:
    """The smoothed level at the last reading of every day of a life."""
    group = found.group
    rows, fitted = group.rows, group.fitted
    level, low, high = (np.asarray(values, dtype=np.float64) for values in fit.levels_at_readings())
    last = np.append((rows.life[fitted][1:] != rows.life[fitted][:-1]) | (np.diff(rows.day[fitted]) != 0), True)
    at = fitted[last]
    life = rows.life[at]
    return pd.DataFrame(
        {
            "run_id": np.full(at.size, run),
            "part": _category(*_coded(group.lives.part, life)),
            "life": group.lives.life[life],
            "measure": _category(np.zeros(at.size, dtype=np.int64), [group.measure]),
            "protocol": _category(np.zeros(at.size, dtype=np.int64), [group.protocol]),
            "tested_on": rows.day[at].astype("datetime64[D]"),
            "distance_km": rows.distance_km[at],
            "exposure_km": rows.exposure_km[at],
            "level": _finite(level[last]),
            "low": _finite(low[last]),
            "high": _finite(high[last]),
        }
    )


def _coded(part: np.ndarray[tuple[int], np.dtype[np.object_]], life: Ints) -> tuple[Ints, list[str]]:
    code, names = pd.factorize(part)
    return code[life].astype(np.int64), list(map(str, names))


def _category(code: Ints, names: list[str]) -> pd.Categorical[str]:
    """Words kept once and pointed at: a fleet's path has a million rows."""
    return pd.Categorical.from_codes(code, categories=pd.Index(names))


def _finite(values: Floats) -> Floats:
    return np.where(np.isfinite(values), values, np.nan)


def _gross(run: int, found: Learned, fit: WearFit) -> pd.DataFrame:
    group = found.group
    at = [int(group.fitted[one.index]) for one in fit.gross]
    return pd.DataFrame(
        {
            "run_id": np.full(len(at), run),
            "test_id": group.rows.test_id[at],
            "position": group.rows.position[at],
            "repeat": group.rows.repeat[at],
            "measure": np.full(len(at), group.measure, dtype=object),
            "protocol": np.full(len(at), group.protocol, dtype=object),
            "z": [float(one.z) for one in fit.gross],
            "weight": [float(one.weight) for one in fit.gross],
        }
    )
