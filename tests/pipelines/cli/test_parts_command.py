"""`wearlab parts` on the demo fleet, beside its truth, and as it is printed."""

from __future__ import annotations

import csv
from datetime import date
from pathlib import Path
from typing import Any

import pytest

from conftest import DEMO_DAY, ROOT, Run
from pipelines.cli import parts_list
from pipelines.cli.common import console
from pipelines.cli.parts_list import print_parts
from pipelines.steps.parts import NumberAhead, PartsTold, Quantities
from pipelines.steps.parts_asked import AskedUsed
from pipelines.steps.stock_count import Stock
from wearlab.plan.poisson_binomial import poisson_binomial
from wearlab.plan.stock_order import order_now

TODAY = date(2026, 10, 31)
#: by the family's letter and whether it is the pump
NUMBERS = {("V", False): "IV-20", ("T", False): "IT-30", ("V", True): "PV-20", ("T", True): "PT-30"}


def test_demand_of_the_demo_agrees_with_its_truth(demo_home: Path, run: Run) -> None:
    told = run("parts", "--home", demo_home, "--as-of", DEMO_DAY, "--json").json
    found = {one["number"]: one for one in told["numbers"]}
    # 36 vans of four cylinders, 24 trucks of six
    assert {name: one["seated"] for name, one in found.items()} == {
        "IV-20": 144, "IT-30": 144, "PV-20": 36, "PT-30": 24
    }  # fmt: skip
    worn: dict[str, set[tuple[str, str]]] = {}
    with (ROOT / "datasets_demo" / "truth.csv").open(encoding="utf-8", newline="") as file:
        for row in csv.DictReader(file):
            if row["kind"] == "life" and not row["part_end"] and "" < row["crossed_on"] <= told["ends"][-1]:
                number = NUMBERS[row["vehicle"][0], row["position"] == "pump"]
                worn.setdefault(number, set()).add((row["vehicle"], row["position"]))
    assert set(worn) == set(found)
    for name, places in worn.items():
        assert abs(len(places) - found[name]["whole"]["mean"]) <= 2.0
        assert len(places) <= found[name]["whole"]["p95"]
        assert sum(span["mean"] for span in found[name]["months"]) == pytest.approx(found[name]["whole"]["mean"])


def test_demand_lies_between_the_chances_of_the_forecasts(demo_home: Path, run: Run) -> None:
    told = run("parts", "--home", demo_home, "--as-of", DEMO_DAY, "--months", 12, "--json").json
    due = run("due", "--home", demo_home, "--as-of", DEMO_DAY, "--json").json
    least: dict[tuple[str, str], float] = {}
    most: dict[tuple[str, str], float] = {}
    for row in due:
        if row["past"] is not None and row["position"] in {"pump", *"123456"}:
            place = (row["vehicle"], row["position"])
            least[place] = max(least.get(place, 0.0), row["past"])
            most[place] = max(most.get(place, 0.0), row["within_365"])
    with (ROOT / "datasets_demo" / "sheets" / "vehicles.csv").open(encoding="utf-8", newline="") as file:
        leaving = {row["number"] for row in csv.DictReader(file) if row["leaves on"]}
    # the last of twelve months ends 365 days on
    assert told["ends"][-1] == "2027-10-31"
    for family, pump in NUMBERS:
        one = next(one for one in told["numbers"] if one["number"] == NUMBERS[family, pump])
        mine = [place for place in least if place[0][0] == family and (place[1] == "pump") == pump]
        assert one["months"][0]["mean"] >= sum(least[place] for place in mine) - 1e-9
        whole = sum(most[place] for place in mine)
        # what leaves within the year needs nothing after that
        staying = whole - sum(most[place] - least[place] for place in mine if place[0] in leaving)
        assert staying - 1e-6 <= one["whole"]["mean"] <= whole + 1e-6


def test_what_is_ordered_lasts_as_often_as_asked(demo_home: Path, run: Run) -> None:
    orders = {}
    for service in (50, 95, 99.5):
        told = run("parts", "--home", demo_home, "--as-of", DEMO_DAY, "--service", service, "--json").json
        for one in told["numbers"]:
            order = one["order"]
            assert order["order"] % one["pack"] == 0
            assert order["lasts_with"] >= service / 100 - 1e-9
            orders.setdefault(one["number"], []).append(order["order"])
    assert all(sizes == sorted(sizes) for sizes in orders.values())
    # an older number on the shelf counts under the one that replaced it, and what is on order too
    told = run("parts", "--home", demo_home, "--as-of", DEMO_DAY, "--json").json
    van = next(one for one in told["numbers"] if one["number"] == "IV-20")
    assert (van["stock"]["on_hand"], van["stock"]["orders"]) == (2, [[2, "2026-11-18"]])


def test_a_service_that_is_no_percentage_is_refused(demo_home: Path, run: Run) -> None:
    found = run("parts", "--home", demo_home, "--service", 100)
    assert found.code == 2
    assert "--service is a percentage between 0 and 100" in found.err


def told_parts(**other: Any) -> PartsTold:
    law = poisson_binomial([0.9, 0.6])
    figures = Quantities.of(law)
    ends = (date(2026, 11, 30), date(2026, 12, 31))
    base: dict[str, Any] = {
        "name": "IV-20", "number": "IV-20", "part": "injector", "families": ("van",), "seated": 8, "untold": 0,
        "months": (figures, figures), "whole": figures,
        "stock": Stock(date(2026, 10, 30), 0, 0, ((3, date(2027, 6, 1)),)), "lead_days": 10, "pack": 2, "price": 290.0,
        "service": 0.9, "covered_until": date(2026, 12, 11),
        "order": order_now(law, law, on_hand=0, on_order=0, on_order_before=0, service=0.9, pack=2), "no_order": "",
    }  # fmt: skip
    asked = (AskedUsed("IV-20", "IV-20", date(2026, 10, 31), date(2026, 9, 30), 1.25, 2, 1),)
    past = (date(2026, 9, 30), date(2026, 10, 31))
    return PartsTold(TODAY, ends, past, False, (NumberAhead(**{**base, **other}),), asked, ())


def printed(capsys: pytest.CaptureFixture[str], told: PartsTold) -> str:
    print_parts(told, "crowns")
    return " ".join(capsys.readouterr().out.split())


def test_the_order_comes_first_then_the_months(capsys: pytest.CaptureFixture[str]) -> None:
    text = printed(capsys, told_parts())
    # by hand: both needed with 0.54, one of them with 0.42, none with 0.04
    assert "IV-20 2 580 2026-10-30 0 3 (3 too late) 2 (90 %) 2026-12-11 4 %, 100 % 96 %" in text
    assert "IV-20 8 1.5 (2/2/2) 1.5 (2/2/2) 1.5 (2/2/2)" in text
    assert "IV-20 -; 0 used 1.2 (2); 1 used" in text
    assert text.index("Order now") < text.index("Needed, by the forecasts") < text.index("Forecast and used")


def test_why_nothing_is_ordered_is_said(capsys: pytest.CaptureFixture[str]) -> None:
    text = printed(capsys, told_parts(order=None, no_order="no lead time is stated"))
    assert "What to order of IV-20 cannot be told: no lead time is stated." in text
    assert "Order now" not in text


def test_a_narrow_screen_has_a_line_a_month(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    def small(*, stderr: bool = False) -> Any:
        out = console(stderr=stderr)
        out.width = 60
        return out

    monkeypatch.setattr(parts_list, "console", small)
    text = printed(capsys, told_parts())
    assert "IV-20 Nov 2026 1.5 2 2 2 Dec 2026 1.5 2 2 2 all 2 months" in text
