"""Clocks that were set back, time zones and locales change no order and no figure; what is stored is in UTC."""

from __future__ import annotations

import locale
import os
import shutil
import subprocess
import time
from collections.abc import Callable, Iterator
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest

from command_server import Commands
from conftest import Run
from outside import need
from pipelines.steps import acknowledgements, runs
from pipelines.steps.acknowledgements import Acknowledgement, acknowledged
from pipelines.steps.learn import latest_run, learn
from pipelines.workspace import open_workspace

DAY = ("--as-of", "2026-06-30")
TODAY = date(2026, 6, 30)


def clock_at(moment: datetime) -> type[datetime]:
    """A `datetime` whose clock stands still."""

    class Stopped(datetime):
        @classmethod
        def now(cls, tz: Any = None) -> datetime:  # type: ignore[override]
            return moment.astimezone(tz) if tz is not None else moment.astimezone().replace(tzinfo=None)

    return Stopped


def test_a_later_run_under_an_earlier_clock_is_the_later_one(milk_round: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    place = open_workspace(milk_round)
    with place.open() as db:
        first = latest_run(db, place, TODAY)
        monkeypatch.setattr(runs, "datetime", clock_at(datetime(2001, 1, 1, tzinfo=UTC)))
        learn(db, place, TODAY)
        second = latest_run(db, place, TODAY)
        assert first is not None
        assert second is not None
        assert second > first
        made = dict(db.rows("SELECT run_id, made_at FROM run"))
        assert made[second] < made[first]  # the clock did go back


def test_a_later_acknowledgement_under_an_earlier_clock_counts(
    milk_round: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    signal = {"key": "abc", "subject": "V|P|m|p|part|2026-05", "onset_early": TODAY, "onset_late": TODAY}
    with open_workspace(milk_round).open() as db:
        for reason, moment in (
            ("first", datetime(2026, 6, 1, tzinfo=UTC)),
            ("second", datetime(2020, 1, 1, tzinfo=UTC)),
        ):
            monkeypatch.setattr(acknowledgements, "datetime", clock_at(moment))
            acknowledgements.acknowledge(db, "abc", reason, [signal])
        known = acknowledgements.acknowledgements(db)
    assert [one.reason for one in known] == ["first", "second"]
    found = acknowledged(signal, known)
    assert isinstance(found, Acknowledgement)
    assert found.reason == "second"


def test_steps_are_undone_in_their_order_whatever_the_clock(milk_round: Path) -> None:
    from pipelines.sheets.journal import read_journal
    from pipelines.sheets.layout import read_layouts
    from pipelines.steps.taking_back import reload_files
    from pipelines.steps.undo import undo_last

    place = open_workspace(milk_round)
    for moment in (datetime(2026, 7, 1), datetime(2019, 1, 1), datetime(2026, 7, 2)):
        with place.open() as db:
            reload_files(place, db, read_layouts(place.layouts), [], TODAY, moment)
    kept = []
    for moment in (datetime(2026, 7, 3), datetime(2018, 1, 1), datetime(2026, 7, 1)):
        done = undo_last(place, moment)
        kept.append(done.number)
        assert (milk_round / done.kept).is_file()  # the state it replaced, and not an older one
    assert kept == [3, 2, 1]
    assert all(entry.undone for entry in read_journal(milk_round))


@pytest.fixture
def zone() -> Iterator[Callable[[str], None]]:
    if not hasattr(time, "tzset"):
        pytest.skip("no tzset there")
    before = os.environ.get("TZ")

    def move(name: str) -> None:
        os.environ["TZ"] = name
        time.tzset()

    yield move
    if before is None:
        os.environ.pop("TZ", None)
    else:
        os.environ["TZ"] = before
    time.tzset()


@pytest.mark.parametrize("name", ["XXX-14", "XXX+12", "CET-1CEST,M3.5.0,M10.5.0/3"])
def test_runs_and_backups_are_told_in_utc_in_every_zone(
    milk_round: Path, tmp_path: Path, run: Run, zone: Callable[[str], None], name: str
) -> None:
    zone(name)
    now = datetime.now(UTC)
    place = open_workspace(milk_round)
    with place.open() as db, db.transaction():
        number = runs.new_run(db, place, TODAY, "learn")
        (made,) = db.rows("SELECT made_at FROM run WHERE run_id = ?", [number])[0]
    assert abs(made - now.replace(tzinfo=None)) < timedelta(minutes=1)
    said = run("backup", "--out", tmp_path / "b.zip", "--home", milk_round, "--json").json
    assert abs(datetime.fromisoformat(said["made_at"]) - now) < timedelta(minutes=1)
    assert run("check", "--home", milk_round).code == 0


def german(folder: Path) -> str:
    """The folder in which the locale de_DE.UTF-8 was made, blank where the system has it; skips where it cannot be."""
    found = (
        subprocess.run(["locale", "-a"], capture_output=True, text=True, check=False)
        if shutil.which("locale")
        else None
    )
    if found is not None and "de_de.utf8" in found.stdout.lower().replace("-", ""):
        return ""
    made = folder / "de_DE.UTF-8"
    if shutil.which("localedef"):
        subprocess.run(["localedef", "-i", "de_DE", "-f", "UTF-8", str(made)], capture_output=True, check=False)
    return str(folder) if made.is_dir() else "none"


def test_a_locale_with_a_decimal_comma_changes_no_figure(
    milk_round: Path, tmp_path: Path, commands: Commands, run: Run
) -> None:
    where = german(tmp_path)
    need(where != "none", "the locale de_DE.UTF-8 (package locales)")
    env = {"LC_ALL": "de_DE.UTF-8", "LANG": "de_DE.UTF-8"} | ({"LOCPATH": where} if where else {})
    plain = tmp_path / "plain"
    shutil.copytree(milk_round.parent, plain)
    for words in (
        ("load", "SHEET", *DAY, "--json"),
        ("readings", "--json"),
        ("due", *DAY, "--json"),
        ("chart", "R10", "--part", "1", "--out", "HOME/part.svg", *DAY),
        ("aside", "--out", "HOME/aside.csv"),
        ("backup", "--out", "HOME/b.zip"),
        ("check", "--json"),
    ):
        told = []
        for home, local in ((milk_round, True), (plain / "home", False)):
            said = [
                str(word).replace("SHEET", str(home.parent / "sheets" / "second.csv")).replace("HOME", str(home))
                for word in words
            ]
            ended = commands.run(*said, "--home", home, env=env if local else {"LC_ALL": "C.UTF-8"}, setlocale=local)
            assert ended.code == 0, ended.err
            told.append(ended.out.replace(str(home), "HOME"))
        if words[0] != "backup":
            assert told[0] == told[1]
    for name in ("aside.csv", "part.svg"):
        assert (milk_round / name).read_bytes() == (plain / "home" / name).read_bytes()


def test_the_comma_is_in_force_in_the_test_above(tmp_path: Path) -> None:
    where = german(tmp_path)
    need(where != "none", "the locale de_DE.UTF-8 (package locales)")
    code = "import locale; locale.setlocale(locale.LC_ALL, ''); print(locale.localeconv()['decimal_point'])"
    env = {**os.environ, "LC_ALL": "de_DE.UTF-8"} | ({"LOCPATH": where} if where else {})
    import sys

    said = subprocess.run([sys.executable, "-c", code], env=env, capture_output=True, text=True, check=True)
    assert said.stdout.strip() == ","
    assert locale.localeconv()["decimal_point"] == "."
