"""The lives of parts as plain values for JSON: None where a distance is beyond all that can be told."""

from __future__ import annotations

from collections.abc import Sequence
from math import isfinite
from typing import TYPE_CHECKING, Any

from pipelines.cli.life_words import caution, sentences
from wearlab.records import NoAnswer

if TYPE_CHECKING:
    from pipelines.steps.life_curves import GroupCurve, KindLives
    from pipelines.steps.wear_lives import WearAnswer
    from wearlab.study.life_ratio import LifeRatio
    from wearlab.study.log_rank import LogRank
    from wearlab.study.removals import Removals
    from wearlab.study.weibull_life import Weibull
    from wearlab.wear.line import Interval

#: shares that have failed, of which the law tells the distance
_SHARES = (0.1, 0.5)


def as_json(found: Sequence[KindLives], by: str | None, as_of: str) -> dict[str, Any]:
    """Return all of it."""
    return {
        "as_of": as_of,
        "by": by,
        "caution": caution(found),
        "kinds": [
            {
                "kind": one.kind,
                "groups": [_curve(curve) for curve in one.curves],
                "left_out": dict(one.left_out),
                "log_rank": _test(one.test),
                "ratio": _ratio(one.ratio),
                "sentences": sentences(one, by),
                "by_wear": [_wear(wear) for wear in one.wear],
            }
            for one in found
        ],
    }


def _curve(one: GroupCurve) -> dict[str, Any]:
    return {
        "group": one.group or None,
        "lives": one.lives,
        "vehicles": one.vehicles,
        "watched_late": one.late,
        "taken_out_for_cause": one.failed,
        "taken_out_otherwise": one.spared,
        "furthest_km": one.furthest_km,
        "reasons": dict(one.why),
        "survival": _survival(one),
        "weibull": _law(one.weibull),
        "reasons_by_distance": _removals(one.removals),
    }


def _survival(one: GroupCurve) -> dict[str, Any] | None:
    curve = one.survival
    if isinstance(curve, NoAnswer):
        return _silent(curve)
    steps = [
        {
            "km": float(curve.time[k]),
            "watched": int(curve.at_risk[k]),
            "taken_out": int(curve.events[k]),
            "share": float(curve.survival[k]),
            "se": _plain(curve.se[k]),
            "low": _plain(curve.low[k]),
            "high": _plain(curve.high[k]),
            "hazard": float(curve.hazard[k]),
        }
        for k in range(curve.time.size)
    ]
    return {"since_km": curve.since, "until_km": curve.until, "steps": steps}


def _law(law: Weibull | NoAnswer) -> dict[str, Any] | None:
    if isinstance(law, NoAnswer):
        return _silent(law)
    return {
        "scale_km": law.eta,
        "scale_interval": [_plain(x) for x in law.eta_interval],
        "shape": law.beta,
        "shape_interval": [_plain(x) for x in law.beta_interval],
        "log_likelihood": law.log_likelihood,
        "quantiles": [{"share": share, **_interval(law.quantile(share))} for share in _SHARES],
    }


def _removals(gone: Removals | NoAnswer) -> dict[str, Any] | None:
    if isinstance(gone, NoAnswer):
        return _silent(gone)
    return {
        "since_km": gone.since,
        "km": [float(x) for x in gone.time],
        "remaining": [float(x) for x in gone.remaining],
        "chances": {
            name: [
                {"chance": float(p), "low": _plain(a), "high": _plain(b)}
                for p, a, b in zip(gone.chance[k], gone.low[k], gone.high[k], strict=True)
            ]
            for k, name in enumerate(gone.reasons)
        },
    }


def _test(test: LogRank | NoAnswer | None) -> dict[str, Any] | None:
    if test is None or isinstance(test, NoAnswer):
        return _silent(test)
    return {
        "groups": list(test.groups),
        "taken_out": [int(x) for x in test.observed],
        "expected": [float(x) for x in test.expected],
        "chi2": test.chi2,
        "p": test.p,
        "chi2_vehicles": test.chi2_together,
        "p_vehicles": test.p_together,
        "vehicles": test.clusters,
    }


def _ratio(ratio: LifeRatio | NoAnswer | None) -> dict[str, Any] | None:
    if ratio is None or isinstance(ratio, NoAnswer):
        return _silent(ratio)
    return {
        "to": ratio.groups[0],
        "groups": {name: _interval(ratio.ratio(name), "times") for name in ratio.groups[1:]},
    }


def _wear(one: WearAnswer) -> dict[str, Any]:
    return {
        "family": one.family,
        "measure": one.measure,
        "protocol": one.protocol,
        "rule": one.rule,
        "limit": one.limit,
        "unit": one.unit,
        "km": dict(zip(("p10", "p50", "p90"), one.km, strict=False)),
        "average_km": dict(zip(("low", "middle", "high"), one.average_km, strict=False)),
        "seen_to_km": one.seen_to_km,
        "no_answer": one.no_answer,
    }


def _interval(told: Interval, name: str = "km") -> dict[str, float | None]:
    return {name: _plain(told.point), "low": _plain(told.low), "high": _plain(told.high)}


def _silent(told: NoAnswer | None) -> dict[str, str] | None:
    return None if told is None else {"no_answer": told.reason}


def _plain(value: float) -> float | None:
    return float(value) if isfinite(value) else None
