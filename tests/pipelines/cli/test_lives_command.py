"""The command of lives on the demo fleet: sentences, JSON, figures, and the planted truth of wear."""

from __future__ import annotations

from pathlib import Path
from xml.etree import ElementTree

import numpy as np
import pytest

import pipelines.demo.scenario as sc
from conftest import Run

DAY = "2026-10-31"


def test_what_is_said_and_drawn(run: Run, demo_home: Path, tmp_path: Path) -> None:
    picture = tmp_path / "lives.svg"
    said = run("lives", "--home", demo_home, "--as-of", DAY, "--out", picture)
    assert said.code == 0
    words = " ".join(said.out.split())
    # 12 parts were planted as replaced, one of them a pump
    assert said.out.startswith("Injectors: 299 lives of known age, 11 taken out for cause.")
    assert "Pumps: 61 lives of known age, 1 taken out for cause." in said.out
    assert "No curve: 1 of 61 taken out for cause: a curve needs 5." in words
    assert "no fixed age for replacement follows from it" in words
    assert "How long parts stay fitted depends on when somebody tests and decides, not on wear alone" in words
    assert "No life by wear for van: pump peak, truck: pump peak" in words
    root = ElementTree.fromstring(picture.read_text("utf-8"))
    assert root.get("role") == "img"
    assert "figure written to" in said.err


def test_by_family_with_its_truth_of_wear(run: Run, demo_home: Path, tmp_path: Path) -> None:
    told = run("lives", "--by", "family", "--home", demo_home, "--as-of", DAY, "--json").json
    injectors = next(one for one in told["kinds"] if one["kind"] == "injector")
    van, truck = injectors["groups"]
    assert (van["group"], truck["group"]) == ("four-cylinder van", "six-cylinder truck")
    assert van["lives"] + truck["lives"] == 299
    assert sum(injectors["log_rank"]["taken_out"]) == pytest.approx(sum(injectors["log_rank"]["expected"]))
    assert "no_answer" in truck["survival"]
    shares = [step["share"] for step in van["survival"]["steps"]]
    assert shares == sorted(shares, reverse=True)
    assert all(step["low"] < step["share"] < step["high"] for step in van["survival"]["steps"])
    for family, one in zip((sc.VAN, sc.TRUCK), injectors["by_wear"], strict=True):
        assert one["family"] == family.name
        # where the planted average part crosses, and the middle of planted new parts with their wandering path
        crossing = 1e4 * np.log(family.idle_limit_ml / family.idle_new_ml) / family.idle_rate
        assert one["average_km"]["low"] < crossing < one["average_km"]["high"]
        assert one["km"]["p50"] == pytest.approx(crossing, rel=0.15)
        assert one["km"]["p10"] < one["km"]["p50"] < one["km"]["p90"]
    for ending in ("png", "pdf"):
        picture = tmp_path / f"lives.{ending}"
        assert run("lives", "--home", demo_home, "--as-of", DAY, "--out", picture).code == 0
        assert picture.stat().st_size > 10_000


def test_what_cannot_be_asked(run: Run, demo_home: Path, tmp_path: Path) -> None:
    said = run("lives", "--by", "driver", "--home", demo_home, "--as-of", DAY)
    assert said.code == 2
    assert '--by "driver" is none of family, depot, origin' in said.err
    said = run("lives", "--home", demo_home, "--as-of", DAY, "--out", tmp_path / "lives.txt")
    assert said.code == 2
    assert "has to end in .svg, .png or .pdf" in said.err
