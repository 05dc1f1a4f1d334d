"""A name of a technician becomes a code; a code stays what it is."""

from __future__ import annotations

import re
from pathlib import Path
from typing import Any

import pytest

from pipelines.sheets.technicians import technician_code


@pytest.mark.parametrize("code", ["N1", "mk", "L 2", "T012", "RS"])
def test_a_code_stays(code: str) -> None:
    assert technician_code(code) == code


def test_a_name_becomes_one_code_however_it_is_written() -> None:
    codes = {technician_code(name) for name in ("Mira Tolveg", "tolveg, mira", " MIRA  TOLVEG", "Tolveg Mira.")}
    assert len(codes) == 1
    (code,) = codes
    assert re.fullmatch(r"K-[0-9a-f]{4}", code or "")
    assert technician_code("Mira Tolvig") != code


def test_no_name_means_nothing() -> None:
    assert technician_code("  ") is None


def test_the_store_and_the_answers_know_the_code_only(tmp_path: Path, run: Any) -> None:
    home = tmp_path / "garage"
    assert run("new", home).code == 0
    sheet = tmp_path / "round.csv"
    sheet.write_text(
        "vehicle,date,odometer km,technician,duration s,cyl 1 ml,cyl 2 ml\n"
        "V1,2026-02-03,100000,Mira Tolveg,60,9,10\nV1,2026-08-03,112000,Mira Tolveg,60,10,11\n",
        "utf-8",
    )
    run("load", sheet, "--home", home, "--as-of", "2026-10-31")
    told = run("judge", "V1", "--home", home, "--as-of", "2026-10-31", "--json").out
    assert "Tolveg" not in told
    assert str(technician_code("Mira Tolveg")) in told
