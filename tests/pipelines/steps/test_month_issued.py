"""Forecasts as issued in words, by hand; and on a small fleet of which parts came out since."""

from __future__ import annotations

from datetime import date
from pathlib import Path
from typing import Any

from pipelines.steps.failure_facts import KindFailures
from pipelines.steps.issued import IssuedScore
from pipelines.steps.learn import learn
from pipelines.steps.month_changes import changes_since
from pipelines.steps.month_issued import earlier_words, failure_words, issued_part, issued_row, issued_words
from plan_example import example
from small_fleet import SmallFleet
from wearlab.plan.road_failures import Foretold

ISSUED, TODAY = date(2026, 9, 30), date(2026, 10, 31)


def score(**other: Any) -> IssuedScore:
    told: dict[str, Any] = {
        "run_id": 3, "as_of": ISSUED, "measure": "return_flow", "protocol": "warm idle", "forecasts": 40, "met": 12,
        "inside": 11, "told": 12, "expected": 2.4, "past": 3, "early": 1, "late": 1, "open": 8, "not_tested": 28,
    }  # fmt: skip
    return IssuedScore(**{**told, **other})


def test_hits_misses_and_what_is_not_checked() -> None:
    row = issued_row(score())
    assert (row.checked, row.hits, row.early, row.late, row.open, row.not_checked) == (12, 2, 1, 1, 8, 28)
    assert row.sentence == (
        "11 of 12 next readings within the range told for 9 in 10, 3 past the limit where 2.4 were expected, 1 sooner "
        "than the dates told, 1 not past though the dates are over, 28 not checked yet."
    )
    assert issued_words([row, row], ISSUED, None, TODAY) == (
        "Of 80 forecasts of 30 September 2026 24 were tested up to 31 October 2026; 22 of 24 next readings lay within "
        "their range, told for 9 in 10; limits passed as told: 4, sooner or later than told: 4."
    )


def test_forecasts_made_after_the_fact_are_not_passed_off_as_issued() -> None:
    rows = [issued_row(score())]
    assert "looking back" not in issued_words(rows, ISSUED, date(2026, 10, 1), TODAY)
    assert issued_words(rows, ISSUED, date(2026, 11, 25), TODAY).endswith(
        "They were made on 25 November 2026, looking back, and not issued in advance."
    )


def test_without_figures_nothing_is_made_up() -> None:
    none = issued_row(score(met=0, inside=0, told=0, expected=None, past=0, early=0, late=0, open=0, not_tested=40))
    assert none.sentence == "40 not checked yet."
    assert issued_row(score(expected=0.01, past=0, early=0)).sentence.count("where under 0.1 were expected") == 1
    assert earlier_words([score(met=0)]) == ""
    assert earlier_words([score(), score(as_of=date(2026, 8, 31))]) == (
        "Of 2 earlier runs, each counted: 22 of 24 next readings within the range told for 9 in 10; 2 limits passed "
        "sooner, 2 later than told."
    )


def test_road_failures_in_words() -> None:
    kinds: tuple[KindFailures, ...] = example().failures
    assert kinds[0].foretold == Foretold(4, 2, 1, 1)
    assert failure_words(kinds, 0) == (
        "Of 4 recorded road failures by parts forecasts had foretold 2 and missed 1; 1 came where no forecast had been "
        "made.",
    )
    assert failure_words((), 1) == ("Of 1 more road failure nobody wrote down the part.",)


def test_parts_that_came_out_unasked_are_named(tmp_path: Path) -> None:
    fleet = SmallFleet()
    for name in ("V01", "V02", "V03"):
        fleet.original(name, "2022-01-01")
        for year, km in ((2023, 40_000.0), (2024, 80_000.0), (2025, 120_000.0), (2026, 160_000.0)):
            level = 8.0 + (year - 2022) * 0.5
            fleet.test(
                name, f"{year}-06-01", km, {str(p): level for p in range(1, 5)}, rail_bar=280.0, fuel_temp_c=45.0,
                temp_kind="tank",
            )  # fmt: skip
    fleet.work("replacement", "2026-10-05", "V01", position="2", origin="new")
    # out for a failure on the road, and moved within the vehicle: neither came out early
    fleet.work("road_failure", "2026-10-06", "V02", position="1")
    fleet.work("replacement", "2026-10-08", "V02", position="1", origin="new")
    fleet.work("swap", "2026-10-09", "V03", position="1", position_to="3")
    place = fleet.written(tmp_path / "small")
    with place.open() as db:
        assert issued_part(db, TODAY, ()).issued_on is None
        for day in (date(2026, 8, 31), ISSUED, TODAY):
            learn(db, place, day)
        told = issued_part(db, TODAY, ())
        last = db.value("SELECT max(run_id) FROM run")
        assert changes_since(db, last, TODAY) == ISSUED
        assert changes_since(db, 1, date(2026, 8, 31)) is None
    assert told.issued_on == ISSUED
    assert told.removed == 2
    (early,) = told.early_removals
    assert early.startswith("V01 injector 2 came out on 5 October 2026; on 30 September 2026 its state was steady")
    assert sum(row.not_checked for row in told.rows) == 12
    assert told.failures == ()
