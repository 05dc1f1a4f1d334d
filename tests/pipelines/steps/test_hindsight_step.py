"""Hindsight of a workspace: hidden tests, factors and flags as a run; forecasts as issued beside later tests."""

from __future__ import annotations

from datetime import date, timedelta
from pathlib import Path

import numpy as np
import pytest

from conftest import Run
from pipelines.steps.corrections import corrections
from pipelines.steps.hindsight import ALL, RECALIBRATED, WITHOUT_COMPLAINTS, look_back
from pipelines.steps.issued import issued_scores
from pipelines.steps.learn import learn
from pipelines.workspace import Workspace
from small_fleet import AS_OF, SmallFleet

VEHICLES, VISITS, KM_A_DAY = 22, 5, 110.0
NEAR = {"rail_bar": 280.0, "fuel_temp_c": 45.0, "temp_kind": "tank"}
#: day after the fourth visits and before the fifth ones
BETWEEN = date(2025, 2, 15)


def day_of(visit: int, vehicle: int) -> date:
    return date(2023, 3, 1) + timedelta(days=180 * visit + 17 * vehicle % 173)


@pytest.fixture(scope="module")
def home(tmp_path_factory: pytest.TempPathFactory) -> Workspace:
    """A straight fleet; V00's last test was called for by a complaint, one pump of each third vehicle was pulled."""
    rng = np.random.default_rng(8)
    fleet = SmallFleet()
    for v in range(VEHICLES):
        fleet.original(f"V{v:02}", "2022-01-01")
        level, rate = 14 + rng.normal(0, 1.0, 4), 1.1 + rng.normal(0, 0.2, 4)
        for k in range(VISITS):
            day = day_of(k, v)
            km = float(round(KM_A_DAY * (day - date(2022, 1, 1)).days))
            read = level + rate * km / 10_000 + rng.normal(0, 0.5, 4)
            values = {str(p + 1): float(round(read[p], 1)) for p in range(4)}
            if k == VISITS - 1 and v % 3 == 0:
                del values["4"]
            reason = "complaint" if (k, v) == (VISITS - 1, 0) else "planned"
            fleet.test(f"V{v:02}", day.isoformat(), km, values, resolution=0.1, reason=reason, **NEAR)
    return fleet.written(tmp_path_factory.mktemp("hindsight"))


def test_scores_factor_and_flags_are_kept_as_a_run(home: Workspace) -> None:
    with home.open() as db:
        (found,) = look_back(db, home, AS_OF)
        assert found.no_answer is None
        assert [one.hidden for one in found.horizons] == [1, 2]
        last = found.horizons[0]
        model = last.scores[ALL][0]
        assert model.n == VEHICLES * 4 - 8
        assert last.scores[WITHOUT_COMPLAINTS][0].n == model.n - 3
        assert last.crossings.pulled == 8
        assert 0.8 < model.coverage_90 <= 1.0
        assert [score.forecast for score in last.scores[ALL]][:2] == ["wear model", RECALIBRATED]
        assert found.factor is not None
        assert found.factor.vehicles == VEHICLES
        assert found.factor.factor == pytest.approx(1.0, abs=0.25)
        assert found.signs is not None
        assert not found.signs.misfit
        stored = db.records("SELECT * FROM hindsight JOIN run USING (run_id) WHERE step = 'hindsight'")
        kept = [row for row in stored if (row["hidden"], row["tests"], row["forecast"]) == (1, ALL, "wear model")]
        assert len(kept) == 1
        assert kept[0]["crps"] == pytest.approx(model.crps)
        assert sum(kept[0]["pit"]) == model.n
        factors = corrections(db, AS_OF)
        assert set(factors) == {("return_flow", "warm idle")}
        assert factors["return_flow", "warm idle"].factor == found.factor.factor
        assert factors["return_flow", "warm idle"].sentences[0] == found.factor_sentence
        assert corrections(db, AS_OF - timedelta(days=1)) == {}


def test_forecasts_as_issued_meet_the_tests_since(home: Workspace) -> None:
    with home.open() as db:
        learn(db, home, BETWEEN)
        learn(db, home, AS_OF)
        (one,) = issued_scores(db, AS_OF)
        assert one.as_of == BETWEEN
        assert one.forecasts == VEHICLES * 4
        assert one.not_tested == 8
        assert one.met == one.forecasts - one.not_tested
        assert 0.75 < one.inside / one.met <= 1.0
        assert one.told == one.past + one.late + one.open
        assert issued_scores(db, BETWEEN) == []
        # rows of a rule on the ratio of a set say nothing of what a test reads in ml/min
        db.run(
            "INSERT INTO forecast BY NAME SELECT * REPLACE ('times the median' AS unit, 3.0 AS \"limit\", "
            "'ratio' AS rule) FROM forecast WHERE run_id = (SELECT min(run_id) FROM run WHERE as_of = ?)",
            [BETWEEN],
        )
        assert issued_scores(db, AS_OF) == [one]
        db.run("DELETE FROM forecast WHERE rule = 'ratio'")


def test_the_commands_tell_it(home: Workspace, run: Run) -> None:
    folder = home.store.parent
    told = run("hindsight", "--home", folder, "--as-of", AS_OF)
    assert told.code == 0
    for words in (
        "The last test of each vehicle hidden",
        "The last 2 tests of",
        "9 in 10: share of them inside",
        "not checked yet",
        "recalibrated",
    ):
        assert words in told.out
    (group,) = run("hindsight", "--home", folder, "--as-of", AS_OF, "--json").json["groups"]
    assert group["horizons"][0]["crossings"]["pulled"] == 8
    issued = run("hindsight", "--home", folder, "--as-of", AS_OF, "--issued", "--json").json
    assert issued["as_of"] == AS_OF.isoformat()
    refused = run("hindsight", "--home", folder, "--limit", "3")
    assert refused.code == 2
    assert "--table" in refused.err


TABLE = "# made for this test\nunit;time;other;value\n" + "".join(
    f"{'ABCDEFGHIJKL'[u]};{t};x;{f'{1 + 0.01 * (1 + 0.05 * u) * t + 0.05 * ((u * 7 + t) % 3):.2f}'.replace('.', ',')}\n"
    for u in range(12)
    for t in range(10, 301, 20)
)


def test_a_table_needs_no_workspace(tmp_path: Path, run: Run, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    file = tmp_path / "units.csv"
    file.write_text(TABLE.replace("A;150;x;2,55", "A;150;x;"), encoding="utf-8")
    told = run("hindsight", "--table", file, "--limit", "3.2", "--origin", "150", "--json").json
    assert {
        "n", "mae", "bias", "covered_90", "coverage_90", "coverage_50", "crps", "width_90", "scale", "accelerating",
        "rivals",
    } <= set(told)  # fmt: skip
    assert told["n"] == 9  # three never reach it
    assert told["mae"] < 15
    assert set(told["rivals"]) == {"line per part", "no change", "family rate"}
    again = run("hindsight", "--table", file, "--limit", "3.2", "--origin", "150", "--json").json
    assert again == told
    text = run("hindsight", "--table", file, "--limit", "9.2", "--origin-reading", "8").out
    assert "never crosses" in text
    assert list(tmp_path.iterdir()) == [file]


@pytest.mark.parametrize(
    ("content", "words", "expected"),
    [
        (None, ["--limit", "3", "--origin", "5"], "no such file"),
        ("", ["--limit", "3", "--origin", "5"], "is empty"),
        ("unit,when,value\na,1,2\n", ["--limit", "3", "--origin", "5"], "no column time"),
        ("unit,time,value\na,1,two\n", ["--limit", "3", "--origin", "5"], 'line 2: the value "two" is not a number'),
        ("unit,time,value\na,-1,2\n", ["--limit", "3", "--origin", "5"], "below 0"),
        ("unit,time,value\n,1,2\n", ["--limit", "3", "--origin", "5"], "names no unit"),
        ("unit,time,value\na,1,\n", ["--limit", "3", "--origin", "5"], "no value"),
        ("unit,time,value\na,7,2\n", ["--limit", "3", "--origin", "5"], "no unit has a reading up to the origin"),
        ("unit,time,value\na,1,2\n", ["--limit", "3"], "one origin"),
        ("unit,time,value\na,1,2\n", ["--limit", "3", "--origin", "5", "--origin-reading", "2"], "one origin"),
        ("unit,time,value\na,1,2\n", ["--origin", "5"], "--limit"),
        ("unit,time,value\na,1,2\n", ["--limit", "nan", "--origin", "5"], "limit is a number"),
        ("unit,time,value\na,1,2\n", ["--limit", "3", "--origin", "0"], "above 0"),
    ],
)
def test_a_bad_table_is_one_sentence(
    tmp_path: Path, run: Run, content: str | None, words: list[str], expected: str
) -> None:
    file = tmp_path / "bad.csv"
    if content is not None:
        file.write_text(content, encoding="utf-8")
    told = run("hindsight", "--table", file, *words)
    assert told.code == 2
    assert expected in told.err
    assert told.err.count("\n") == 1


def test_a_table_with_one_unit_is_still_answered(tmp_path: Path, run: Run) -> None:
    file = tmp_path / "one.csv"
    file.write_text("unit,time,value\n" + "".join(f"a,{t},{t / 10}\n" for t in range(1, 30)), encoding="utf-8")
    told = run("hindsight", "--table", file, "--limit", "2", "--origin", "12", "--json").json
    assert told["n"] == 1
    assert told["mae"] < 2
    none = run("hindsight", "--table", file, "--limit", "99", "--origin", "12", "--json").json
    assert (none["n"], none["crps"], none["left_out"]) == (0, None, {"never crosses": 1})
