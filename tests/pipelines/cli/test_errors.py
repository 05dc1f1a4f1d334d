"""Whatever goes wrong, a person gets one sentence: what, where, what was expected, what to do."""

from __future__ import annotations

import shutil
import subprocess
import sys
from pathlib import Path

import pytest

from conftest import Outcome, Run
from pipelines import workspace
from pipelines.cli import main
from wearlab.store.database import open_database

ROOT = Path(__file__).parents[3]


@pytest.fixture
def garage(tmp_path: Path, run: Run) -> Path:
    home = tmp_path / "garage"
    assert run("new", home).code == 0
    return home


def one_sentence(outcome: Outcome, *words: str) -> None:
    lines = outcome.err.strip().splitlines()
    assert len(lines) == 1, outcome.err
    assert lines[0].startswith("wearlab: ")
    assert "Traceback" not in outcome.err
    for word in words:
        assert word in lines[0], lines[0]


def test_no_workspace(tmp_path: Path, run: Run) -> None:
    outcome = run("readings", "--home", tmp_path)
    assert outcome.code == 2
    one_sentence(outcome, "not a workspace", "wearlab new")


def test_a_workspace_is_not_made_twice(garage: Path, run: Run) -> None:
    outcome = run("new", garage)
    assert outcome.code == 2
    one_sentence(outcome, "already is a workspace", "nothing was changed")


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("name = [", ("not valid TOML",)),
        ("colour = 1\n", ("colour", "not a known key")),
        (
            '[[limits]]\nname="a"\nmeasure="return_flow"\nkind="most"\nvalue=3\nsource="x y z"\n',
            ("unit", "limits"),
        ),
        (
            '[[limits]]\nname="a"\nmeasure="return_flow"\nprotocol="p"\nkind="most"\nvalue=3\nunit="ml/min"\n'
            'source="test data"\n',
            ("unknown protocol",),
        ),
        ("[visits]\nevery_days = 'soon'\n", ("visits.every_days",)),
    ],
)
def test_a_broken_config(garage: Path, run: Run, text: str, words: tuple[str, ...]) -> None:
    (garage / "wearlab.toml").write_text(text)
    outcome = run("readings", "--home", garage)
    assert outcome.code == 2
    one_sentence(outcome, "wearlab.toml", *words)


@pytest.mark.parametrize("words", [["readings"], ["aside"], ["due"], ["learn"], ["judge", "V1"], ["month", "2026-10"]])
def test_nothing_loaded_yet(garage: Path, run: Run, words: list[str]) -> None:
    outcome = run(*words, "--home", garage)
    assert outcome.code == 2
    one_sentence(outcome, "wearlab load")
    assert not (garage / "wearlab.duckdb").exists()


def test_a_first_preview_makes_no_database(garage: Path, tmp_path: Path, run: Run) -> None:
    shutil.copytree(ROOT / "datasets_demo" / "layouts", garage / "layouts", dirs_exist_ok=True)
    sheet = ROOT / "datasets_demo" / "sheets" / "vehicles.csv"
    outcome = run("load", sheet, "--preview", "--home", garage, "--json")
    assert outcome.code == 0
    assert outcome.json["files"][0]["accepted"] == 60
    assert not (garage / "wearlab.duckdb").exists()


def test_missing_file(garage: Path, tmp_path: Path, run: Run) -> None:
    outcome = run("load", tmp_path / "gone.csv", "--home", garage)
    assert outcome.code == 2
    one_sentence(outcome, "gone.csv")


def test_folder_without_sheets(garage: Path, tmp_path: Path, run: Run) -> None:
    (tmp_path / "empty").mkdir()
    outcome = run("load", tmp_path / "empty", "--home", garage)
    assert outcome.code == 2
    one_sentence(outcome, "empty")


@pytest.mark.parametrize(
    ("name", "content", "word"),
    [
        ("blank.csv", b"", "empty"),
        ("picture.csv", b"\x89PNG\r\n\x1a\n" + bytes(range(256)) * 20, ""),
        ("noise.txt", bytes(range(256)) * 40, ""),
        ("strange.csv", b"some,unknown,header\n1,2,3\n", "fits no layout of the workspace and none can be proposed"),
    ],
)
def test_a_file_that_is_no_sheet_is_refused_and_changes_nothing(
    garage: Path,
    tmp_path: Path,
    run: Run,
    name: str,
    content: bytes,
    word: str,
) -> None:
    (tmp_path / name).write_bytes(content)
    outcome = run("load", tmp_path / name, "--home", garage)
    assert outcome.code == 2
    assert "refused" in outcome.out
    assert name in outcome.out
    assert word in outcome.out
    one_sentence(outcome, "no file could be loaded")
    with open_database(garage / "wearlab.duckdb") as db:
        assert db.value("SELECT count(*) FROM source_file") == 0
        assert db.value("SELECT count(*) FROM raw_row") == 0


def test_some_files_refused_gives_one(garage: Path, tmp_path: Path, run: Run) -> None:
    sheets = tmp_path / "sheets"
    sheets.mkdir()
    (sheets / "strange.csv").write_bytes(b"some,unknown,header\n1,2,3\n")
    form = sheets / "good.xlsx"
    assert run("form", "--home", garage, "--out", form).code == 0
    import openpyxl

    book = openpyxl.load_workbook(form)
    sheet = book.active
    heads = {str(cell.value): cell.column for cell in sheet[1]}
    sheet.cell(2, heads["Vehicle"], "X1")
    sheet.cell(2, heads["Test date"], "2026-05-04")
    sheet.cell(2, next(column for head, column in heads.items() if head.startswith("Cyl 1")), 12.5)
    book.save(form)
    outcome = run("load", sheets, "--home", garage, "--as-of", "2026-06-01")
    assert outcome.code == 1, outcome.out + outcome.err


def test_unknown_vehicle(garage: Path, tmp_path: Path, run: Run) -> None:
    open_database(garage / "wearlab.duckdb").close()
    for words in (
        ["judge", "Z9"],
        ["vehicle", "Z9"],
        ["readings", "Z9"],
        ["note", "Z9", "cleaning", "--on", "2026-01-01"],
    ):
        outcome = run(*words, "--home", garage)
        assert outcome.code == 2
        one_sentence(outcome, "Z9")


def test_a_newer_database(garage: Path, run: Run) -> None:
    with open_database(garage / "wearlab.duckdb") as db:
        db.run("UPDATE meta SET value = '99' WHERE key = 'schema_version'")
    outcome = run("readings", "--home", garage)
    assert outcome.code == 2
    one_sentence(outcome, "newer wearlab")


def test_a_locked_database_waits_aloud_then_names_the_process(
    garage: Path,
    run: Run,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(workspace, "WAIT_S", 0.8)
    open_database(garage / "wearlab.duckdb").close()
    script = (
        "import sys; from pathlib import Path; from wearlab.store.database import open_database\n"
        "db = open_database(Path(sys.argv[1])); print('open', flush=True); sys.stdin.read()"
    )
    holder = subprocess.Popen(
        [sys.executable, "-c", script, str(garage / "wearlab.duckdb")],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
        cwd=ROOT,
    )
    try:
        assert holder.stdout is not None
        assert holder.stdout.readline() == "open\n"
        outcome = run("readings", "--home", garage)
    finally:
        holder.communicate("")
    assert outcome.code == 2
    waiting, *_, last = outcome.err.strip().splitlines()
    assert "waiting" in waiting
    assert f"PID {holder.pid}" in last


@pytest.mark.parametrize("words", [["month", "2026-13"], ["month", "october"], ["due", "--as-of", "31.10.2026"]])
def test_a_date_that_is_none(garage: Path, run: Run, words: list[str]) -> None:
    outcome = run(*words, "--home", garage)
    assert outcome.code == 2
    one_sentence(outcome, "2026-10")


def test_an_unknown_option_and_the_way_to_help(run: Run) -> None:
    outcome = run("due", "--soon")
    assert outcome.code == 2
    one_sentence(outcome, "--soon", "--help")


def test_a_fault_of_our_own_is_a_sentence_unless_debug(
    garage: Path,
    run: Run,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    open_database(garage / "wearlab.duckdb").close()

    def broken(*_: object, **__: object) -> None:
        raise ZeroDivisionError("planted")

    monkeypatch.setattr(workspace, "open_database", broken)
    outcome = run("readings", "--home", garage)
    assert outcome.code == 2
    one_sentence(outcome, "ZeroDivisionError", "--debug")
    with pytest.raises(ZeroDivisionError, match="planted"):
        main(["readings", "--home", str(garage), "--debug"])
