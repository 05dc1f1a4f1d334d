"""Control charts of the demo fleet from one fit: series beside the store, the planted drift, pictures of signals."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from pathlib import Path
from xml.etree import ElementTree

import numpy as np
import pytest

from pipelines.steps.compare import fitted_again
from pipelines.steps.control_figures import signal_figure, vehicle_figure
from pipelines.steps.control_rigs import group_rig
from pipelines.steps.control_series import Asked, charts
from pipelines.steps.control_visits import group_visits
from pipelines.steps.learn import latest_run
from pipelines.steps.signals import SignalsTold, signals_of
from pipelines.steps.wear_data import GroupData, group_data
from pipelines.workspace import Workspace, open_workspace
from wearlab.control.innovations import innovations
from wearlab.lives.odometer import day_number
from wearlab.pack.signal_pictures import control_pictures
from wearlab.records import NoAnswer
from wearlab.wear.results import WearFit

DAY = date(2026, 10, 31)


@dataclass(frozen=True)
class Demo:
    """One group of the demo, fitted, and the signals of its run."""

    place: Workspace
    group: GroupData
    fit: WearFit
    told: SignalsTold


@pytest.fixture(scope="module")
def demo(demo_home: Path) -> Demo:
    place = open_workspace(demo_home)
    with place.open(read_only=True) as db:
        run = latest_run(db, place, DAY)
        assert run is not None
        group = group_data(db, place.settings, "return_flow", "warm idle", DAY)
        fit = fitted_again(db, group)
        assert not isinstance(fit, NoAnswer)
        return Demo(place, group, fit, signals_of(db, run, DAY))


@pytest.mark.parametrize("vehicle", ["T06", "V29", "T14"])
def test_the_series_are_the_readings_and_innovations_of_the_fit(demo: Demo, vehicle: str) -> None:
    rows, at = demo.group.rows, demo.group.fitted
    visits = group_visits(demo.group, demo.fit, vehicle, demo.told)
    past = innovations(demo.fit.best).given_past
    compared = 0
    for part in visits.parts:
        for t, day in enumerate(visits.days):
            here = (rows.vehicle == list(rows.vehicles).index(vehicle)) & (rows.position == part.position)
            here &= rows.day == day_number(day)
            if (rows.bound[here] != 0).any():
                assert part.bound[t] == 1
                assert all(np.isnan(one[t]) for one in (part.readings, part.corrected, part.given_past, part.apart))
                continue
            if here.any():
                assert part.readings[t] == pytest.approx(rows.level[here].mean())
            told = np.flatnonzero(here[at])
            if told.size == 1:
                assert part.given_past[t] == pytest.approx(past[told[0]])
                compared += 1
    assert compared > 40


def test_a_new_part_begins_its_own_chart_of_readings(demo: Demo) -> None:
    visits = group_visits(demo.group, demo.fit, "V29", demo.told)
    (second,) = (one for one in visits.parts if one.position == "2")
    (new,) = np.flatnonzero(second.renewed)
    raw = next(one for one in charts(visits, Asked(of="readings"), 3.3) if one.position == "2")
    assert np.isnan(raw.values[:new]).all()
    assert np.isfinite(raw.values[new])
    fresh = next(one for one in charts(visits, Asked(), 3.3) if one.position == "2")
    assert np.isfinite(fresh.values[:new]).any()


def test_the_figure_draws_the_series(demo: Demo) -> None:
    visits = group_visits(demo.group, demo.fit, "T06", demo.told)
    made = charts(visits, Asked(), demo.told.budget.limit)
    figure = vehicle_figure(visits, made, Asked())
    assert [panel.name for panel in figure.panels] == [one.name for one in made]
    for panel, one in zip(figure.panels, made, strict=True):
        drawn = [point.value for point in panel.read]
        assert drawn == one.statistic[np.isfinite(one.statistic)].tolist()
        assert {point.upper for point in panel.points} == {demo.told.budget.limit}
        beyond = [visits.days[t] for t in np.flatnonzero(one.bound)]
        assert [point.day for point in panel.points if point.bound == "at_least"] == beyond
        assert all(point.value is None for point in panel.points if point.bound is not None)
    assert sum(point.bound is not None for panel in figure.panels for point in panel.points) >= 3


def test_all_charts_share_one_chance_of_a_false_signal(demo: Demo) -> None:
    visits = group_visits(demo.group, demo.fit, "T14", demo.told)
    found = [charts(visits, Asked(chart=kind), 3.3)[0].chance for kind in ("individuals", "tsquared", "mewma")]
    assert found == pytest.approx([found[0]] * 3)
    wide = charts(visits, Asked(chance=0.2), 3.3)[0]
    assert wide.chance == 0.2
    # P(|z| > h) = 1 - 0.8^(1/14) of each of 14 visits, by the normal table
    assert wide.count == 14
    assert wide.limits[1][0] == pytest.approx(2.412, abs=2e-3)


def test_the_drift_of_a_rig_is_read_month_by_month(demo: Demo) -> None:
    """The demo's rig reads 8 % high on the last day before its calibration of 15 March 2024, growing since autumn 2022.

    What is read high then is more, as the same depot had bad fuel in those months.
    """
    with demo.place.open(read_only=True) as db:
        rig = group_rig(db, demo.group, demo.fit, "R-lake", (date(2024, 3, 15),), demo.told)
    assert rig.whole is not None
    assert rig.monthly
    at = {first: k for k, first in enumerate(rig.whole.first)}
    before = [k for first, k in at.items() if date(2023, 12, 1) <= first < date(2024, 3, 15)]
    after = [k for first, k in at.items() if date(2024, 3, 15) <= first < date(2024, 12, 31)]
    early = [k for first, k in at.items() if first < date(2022, 9, 1)]
    value = rig.whole.chart.statistic
    assert 4 < np.mean(value[before]) < 12
    assert abs(np.mean(value[early])) < 3
    assert np.mean(value[before]) - np.mean(value[after]) > 3
    assert [one.name for one in rig.tubes] == ["1", "2", "3", "4", "5", "6"]
    assert rig.whole.readings.sum() == sum(one.readings.sum() for one in rig.tubes)


def test_every_signal_but_that_of_a_month_has_a_picture(demo: Demo) -> None:
    mine = [one for one in demo.told.signals if (one["measure"], one["protocol"]) == ("return_flow", "warm idle")]
    kinds = {one["kind"]: one for one in mine if one["kind"] in ("reading", "vehicle", "tube", "month")}
    assert {"reading", "vehicle"} <= set(kinds)
    with demo.place.open(read_only=True) as db:
        for kind, signal in kinds.items():
            figure = signal_figure(db, demo.place.settings, demo.group, demo.fit, demo.told, signal)
            if kind == "month":
                assert figure is None
                continue
            assert figure is not None
            (made,) = control_pictures((figure,))
            assert ElementTree.fromstring(made.chart.svg).get("role") == "img"
            subject = str(signal["vehicle"] or signal["rig"])
            assert subject in made.chart.title
            assert made.table.rows
            if signal["vehicle"] is not None:
                assert signal["detected_on"].isoformat() in {row[1] for row in made.table.rows if row[-1]}
