"""What a load proposes, asks and keeps: proposals written once and found again, questions answered and remembered."""

from __future__ import annotations

from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

import pytest

from pipelines.sheets.layout import parse_layout, read_layouts
from pipelines.workspace import Workspace
from wearlab.config import Settings
from wearlab.errors import ConfigError

DATES = """
Vehicle;Date;Odometer (km);Dur (s);Drive;Cyl 1 (ml);Cyl 2 (ml)
V1;03/02/2025;100200;60;idle;12;11
V1;05/04/2025;104700;60;idle;13;12
V2;05/04/2025;88100;60;idle;13;12
"""
MARKS = """
Vehicle;Date;Odometer (km);Block (ml);Peak (bar);Crank rpm
V1;2025-02-03;100200;20;1,180;210
V2;2025-04-07;88100;20;1,090;205
"""
DRIVE = """
Return flow, idle
Vehicle;Date;Odometer (km);Dur (s);Cyl 1 (ml);Cyl 2 (ml)
V1;2025-02-03;100200;60;12;11
V1;2025-04-07;104700;60;13;12
"""


@pytest.fixture
def place(tmp_path: Path) -> Workspace:
    (tmp_path / "workspace" / "layouts").mkdir(parents=True)
    return Workspace(tmp_path / "workspace", Settings())


def load(bench: Any, place: Workspace, *paths: Path, **options: Any) -> list[Any]:
    bench.layouts = read_layouts(place.layouts)
    return list(bench.load(*paths, save_layout=place.save_layout, **options))


def settle(bench: Any, number: str, value: str) -> None:
    later = datetime(2026, 6, 1) + timedelta(hours=int(bench.db.value("SELECT count(*) FROM answer")))
    bench.db.run("INSERT INTO answer (question_id, answered_at, value) VALUES (?, ?, ?)", [number, later, value])


def waiting(bench: Any) -> list[tuple[str, str]]:
    found = bench.db.rows("SELECT question_id, sentence FROM question WHERE file_id = 0 ORDER BY 1")
    return [tuple(row) for row in found]


def written(place: Workspace) -> list[str]:
    return sorted(path.relative_to(place.home).as_posix() for path in place.layouts.rglob("*.toml"))


def test_a_proposal_is_kept_and_found_again(bench: Any, place: Workspace) -> None:
    first = load(bench, place, bench.write("spring round.csv", DATES.replace("03/02", "23/02")))[0]
    assert (first.status, first.layout) == ("loaded", "spring round")
    assert first.proposed[0].startswith('layout "spring round" proposed, kept as layouts/spring_round.toml: "Vehicle"')
    assert written(place) == ["layouts/spring_round.toml"]
    kept = (place.layouts / "spring_round.toml").read_bytes()
    assert kept.decode() == first.proposal
    again = load(bench, place, bench.write("autumn.csv", DATES.replace("/2025", "/2026").replace("05/04", "05/05")))[0]
    assert (again.status, again.layout, again.proposed) == ("loaded", "spring round", ())
    assert written(place) == ["layouts/spring_round.toml"]
    days = bench.db.rows("SELECT DISTINCT tested_on::VARCHAR FROM test ORDER BY 1")
    assert [day for (day,) in days] == ["2025-02-23", "2025-04-05", "2026-02-03", "2026-05-05"]


def test_another_sheet_of_that_name_gets_a_file_of_its_own(bench: Any, place: Workspace, tmp_path: Path) -> None:
    load(bench, place, bench.write("round.csv", DATES.replace("03/02", "23/02")))
    (tmp_path / "b").mkdir()
    other = tmp_path / "b" / "round.csv"
    other.write_text(DRIVE.lstrip("\n"), encoding="utf-8")
    assert load(bench, place, other)[0].layout == "round 2"
    assert written(place) == ["layouts/round.toml", "layouts/round_2.toml"]


def test_a_column_more_is_another_sheet(bench: Any, place: Workspace) -> None:
    log = "Vehicle;Date;Odometer (km)\nV1;2025-02-03;100200\n"
    assert load(bench, place, bench.write("log.csv", log))[0].layout == "log"
    account = load(bench, place, bench.write("drive.csv", DRIVE))[0]
    assert (account.layout, account.readings) == ("drive", 4)


def test_a_preview_shows_the_proposal_and_writes_nothing(bench: Any, place: Workspace) -> None:
    account = load(bench, place, bench.write("d.csv", DRIVE), preview=True)[0]
    assert account.status == "loaded"
    assert parse_layout(account.proposal.encode(), "shown").kind == "tests"
    refused = load(bench, place, bench.write("e.csv", DATES), preview=True)[0]
    assert refused.status == "refused"
    assert "open = " in refused.proposal
    assert written(place) == []
    assert waiting(bench) == []
    assert bench.db.value("SELECT count(*) FROM raw_row") == 0


def test_an_order_of_dates_that_nothing_proves_refuses_until_it_is_answered(bench: Any, place: Workspace) -> None:
    path = bench.write("dates.csv", DATES)
    account = load(bench, place, path)[0]
    assert account.status == "refused"
    assert "dates.csv" in account.sentence
    assert "layouts/proposed/dates.toml" in account.sentence
    assert written(place) == ["layouts/proposed/dates.toml"]
    assert len(read_layouts(place.layouts)) == len(read_layouts(place.home))  # what is proposed is no layout yet
    text = (place.layouts / "proposed" / "dates.toml").read_text("utf-8")
    (number,) = account.question_ids
    assert f"wearlab settle {number} ANSWER" in text
    assert waiting(bench) == [(number, account.questions[0])]
    assert "day first" in account.questions[0]
    assert bench.db.value("SELECT count(*) FROM raw_row") == 0

    settle(bench, number, "tomorrow")  # no answer to this question
    useless = load(bench, place, path)[0]
    assert useless.status == "refused"
    assert any('"tomorrow" is no answer' in line for line in useless.proposed)
    settle(bench, number, "month first")
    done = load(bench, place, path)[0]
    assert done.status == "loaded", done.sentence
    assert bench.db.rows("SELECT DISTINCT tested_on::VARCHAR FROM test ORDER BY 1") == [
        ("2025-03-02",),
        ("2025-05-04",),
    ]
    assert waiting(bench) == []
    assert "layouts/dates.toml" in written(place)


def test_the_refused_text_is_no_layout_until_its_line_is_out(bench: Any, place: Workspace) -> None:
    load(bench, place, bench.write("dates.csv", DATES))
    text = (place.layouts / "proposed" / "dates.toml").read_text("utf-8")
    with pytest.raises(ConfigError, match="proposal with open questions"):
        parse_layout(text.encode(), "dates.toml")
    lines = [line for line in text.splitlines() if not line.startswith("open = ")]
    mended = "\n".join(line.replace('date_formats = ["%Y-%m-%d"]', 'date_formats = ["%d/%m/%Y"]') for line in lines)
    assert "%d/%m/%Y" in mended
    (place.layouts / "dates.toml").write_text(mended, encoding="utf-8")
    account = load(bench, place, bench.folder / "dates.csv")[0]
    assert account.status == "loaded", account.sentence
    assert bench.db.rows("SELECT DISTINCT tested_on::VARCHAR FROM test ORDER BY 1") == [
        ("2025-02-03",),
        ("2025-04-05",),
    ]
    assert waiting(bench) == []


@pytest.mark.parametrize(("answer", "peak"), [("decimal", 1.18), ("thousands", 1180.0)])
def test_a_mark_that_parts_thousands_or_decimals_refuses(
    bench: Any, place: Workspace, answer: str, peak: float
) -> None:
    path = bench.write("marks.csv", MARKS)
    account = load(bench, place, path)[0]
    assert account.status == "refused"
    (number,) = account.question_ids
    assert '"1,180"' in account.questions[0]
    settle(bench, number, answer)
    done = load(bench, place, path)[0]
    assert done.status == "loaded", done.sentence
    found = bench.db.rows("SELECT value FROM reading WHERE row_no = 2 AND measure = 'pump_peak'")
    # 1.18 bar is no peak of a pump, so with a decimal comma the cell is set aside
    assert found == ([(peak,)] if peak > 50 else [])


def test_a_second_file_proves_what_the_first_leaves_open(bench: Any, place: Workspace) -> None:
    open_one = bench.write("a.csv", DATES)
    proven = bench.write("b.csv", DATES.replace("03/02", "27/06").replace("V1", "V3"))
    for order in ([open_one, proven], [proven, open_one]):
        accounts = load(bench, place, *order, preview=True)
        assert [account.status for account in accounts] == ["loaded"] * 2
        assert {account.layout for account in accounts} == {"b"}


def test_a_context_question_holds_readings_back_and_is_asked_once(bench: Any, place: Workspace) -> None:
    account = load(bench, place, bench.write("drive.csv", DRIVE))[0]
    assert account.status == "loaded"
    assert len(account.questions) == 1
    assert '"idle"' in account.questions[0]
    assert bench.db.rows("SELECT DISTINCT use FROM reading") == [("show",)]
    assert bench.db.rows("SELECT question_id, kind, readings FROM question") == [(account.question_ids[0], "layout", 4)]
    next_one = load(bench, place, bench.write("later.csv", DRIVE.replace("2025-", "2026-")))[0]
    assert next_one.question_ids == account.question_ids

    settle(bench, account.question_ids[0], "yes")
    last = load(bench, place, bench.write("last.csv", DRIVE.replace("V1", "V7")))[0]
    assert last.questions == ()
    rows = "SELECT DISTINCT t.driven, r.use FROM reading r JOIN test t USING (test_id) WHERE t.vehicle = 'V7'"
    assert bench.db.rows(rows) == [("idle", "trend")]


def test_an_answer_that_cannot_be_one_leaves_the_question_open(bench: Any, place: Workspace) -> None:
    account = load(bench, place, bench.write("drive.csv", DRIVE))[0]
    settle(bench, account.question_ids[0], "uphill")
    last = load(bench, place, bench.write("last.csv", DRIVE.replace("V1", "V7")))[0]
    assert last.question_ids == account.question_ids


def test_the_same_header_in_another_order_asks_the_same_question(bench: Any, place: Workspace) -> None:
    first = load(bench, place, bench.write("a.csv", DATES), preview=True)[0]
    swapped = "\n".join(";".join(reversed(line.split(";"))) for line in DATES.strip().splitlines())
    second = load(bench, place, bench.write("b.csv", swapped), preview=True)[0]
    assert (first.status, first.question_ids) == ("refused", second.question_ids)


def test_what_reads_like_no_sheet_is_refused_with_the_reason(bench: Any, place: Workspace) -> None:
    account = load(bench, place, bench.write("strange.csv", "some,unknown,header\n1,2,3\n"))[0]
    assert account.status == "refused"
    assert account.sentence.startswith("strange.csv fits no layout")
    assert written(place) == []
    assert waiting(bench) == []


def test_rows_of_means_and_footers_in_every_language(bench: Any, place: Workspace) -> None:
    words = {"Mittelwert": "3", "moyenne": "3", "promedio": "3", "media": "3", "gemiddelde": "3", "średnia": "3"}
    body = "".join(f"{word};;;;;12,5;11\n" for word in words)
    feet = "".join(f"{word};12.03.2026;;;;;\n" for word in ("gedruckt", "imprimé", "impreso", "stampato", "afgedrukt"))
    account = load(bench, place, bench.write("all.csv", DATES.replace("03/02", "23/02") + body + feet))[0]
    assert (account.structure, account.accepted, account.set_aside) == (1 + 5, 3, len(words))
    assert {code for row in range(5, 11) for code in bench.codes(row)} == {"aggregate"}
