"""Words of remarks, packed cells and text fields in seven languages."""

from __future__ import annotations

import math

import pytest

from pipelines.sheets.hints import hint
from pipelines.sheets.packed import serials, told_events, unpack
from pipelines.sheets.vocabulary import (
    answer_word,
    cell_unit,
    driven_word,
    flat,
    measure_word,
    origin_word,
    position_word,
    reason_word,
    work_word,
)
from wearlab.errors import UnitError
from wearlab.records import Driven, Measure, WorkKind


@pytest.mark.parametrize(
    "text",
    [
        "50 ml tube",
        "50-ml-Rohr",
        "éprouvette de 50 ml",
        "tubo de 50 ml",
        "provetta da 50 ml",
        "buis 50 ml",
        "probówka 50 ml",
    ],
)
def test_tubes(text: str) -> None:
    assert hint(text).tube_ml == 50.0


@pytest.mark.parametrize(
    ("text", "bar"),
    [
        ("rail never above 90", 90.0),
        ("Raildruck nie über 85 bar", 85.0),
        ("pression rail jamais au-dessus de 90", 90.0),
        ("presión nunca por encima de 70", 70.0),
        ("pressione rail mai oltre 90", 90.0),
        ("raildruk nooit boven 90", 90.0),
        ("ciśnienie nigdy powyżej 90", 90.0),
        ("rail pressure did not build", 0.0),
        ("Druck nicht aufgebaut", 0.0),
    ],
)
def test_pressure_that_never_built(text: str, bar: float) -> None:
    assert hint(text).rail_never_above == bar


@pytest.mark.parametrize("text", ["rail not recorded", "rail 280", "pressure good", "never seen before", ""])
def test_pressure_that_nothing_is_said_of(text: str) -> None:
    assert math.isnan(hint(text).rail_never_above)


@pytest.mark.parametrize("text", ["foam", "* foam", "Schaum", "mousse", "espuma", "schiuma", "schuimt", "piana"])
def test_foam(text: str) -> None:
    assert hint(text).foam


@pytest.mark.parametrize(
    "text", ["no foam", "kein Schaum", "sans mousse", "sin espuma", "senza schiuma", "geen schuim", "bez piany"]
)
def test_no_foam(text: str) -> None:
    assert not hint(text).foam


@pytest.mark.parametrize(
    "text",
    [
        "rig leaks 4 bar/s",
        "Prüfgerät undicht",
        "fuite du banc",
        "fuga en el equipo",
        "banco perde",
        "testbank lekt",
        "stanowisko nieszczelne",
    ],
)
def test_a_leaking_rig(text: str) -> None:
    assert hint(text).rig_leak
    assert not hint("injector leaks").rig_leak


@pytest.mark.parametrize(
    ("text", "at"),
    [("gauge end stop 1600", 1600.0), ("Endanschlag bei 1600", 1600.0), ("butée 1600", 1600.0), ("tope 1600", 1600.0),
     ("fondo scala 1600", 1600.0), ("aanslag 1600", 1600.0), ("koniec skali 1600", 1600.0)],
)  # fmt: skip
def test_end_stops(text: str, at: float) -> None:
    assert (hint(text).stop, hint(text).stop_at) == (True, at)


@pytest.mark.parametrize(
    "text",
    [
        "order written 1-3-4-2",
        "Reihenfolge 1-3-4-2",
        "ordre 1, 3, 4, 2",
        "orden 1-3-4-2",
        "ordine 1 3 4 2",
        "volgorde 1/3/4/2",
        "kolejność 1-3-4-2",
    ],
)
def test_orders(text: str) -> None:
    assert hint(text).order == ("1", "3", "4", "2")


def test_orders_without_figures_and_the_other_end() -> None:
    for text in ("in firing order", "in Zündfolge", "ordre d'allumage", "orden de encendido", "ordine di accensione",
                 "ontstekingsvolgorde", "kolejność zapłonu"):  # fmt: skip
        assert hint(text).numbering == "firing order", text
    for text in ("counted from the rear", "numbered from the flywheel", "von hinten gezählt", "desde atrás"):
        expected = "" if text.startswith("counted from the other") else "the other end"
        assert hint(text).numbering == expected, text


def test_countries_of_an_ounce() -> None:
    assert [hint(text).country for text in ("US", "us", "UK", "imperial", "american", "tell us more")] == [
        "us", "us", "uk", "uk", "us", "",
    ]  # fmt: skip


@pytest.mark.parametrize(
    ("text", "event"),
    [
        ("after wrong fuel 2025-07-12", "wrong fuel on 2025-07-12"),
        ("nach Falschbetankung am 12.07.2025", "falschbetankung on 12.07.2025"),
        ("erreur de carburant", "erreur de carburant"),
        ("nowy licznik", "nowy licznik"),
        ("hot day", ""),
        ("repeat", ""),
    ],
)
def test_events_in_remarks(text: str, event: str) -> None:
    assert hint(text).event == event


@pytest.mark.parametrize(
    ("text", "driven", "seconds", "unit"),
    [
        ("idle 60 s ml", Driven.IDLE, 60.0, "ml"),
        ("Leerlauf 60 Sek ml", Driven.IDLE, 60.0, "ml"),
        ("ralenti 1 min ml", Driven.IDLE, 60.0, "ml"),
        ("arranque 15 seg ml", Driven.CRANK, 15.0, "ml"),
        ("al minimo 60 s ml", Driven.IDLE, 60.0, "ml"),
        ("stationair 30 sec ml", Driven.IDLE, 30.0, "ml"),
        ("bieg jałowy 60 s ml", Driven.IDLE, 60.0, "ml"),
        ("crank bar", Driven.CRANK, math.nan, "bar"),
    ],
)
def test_packed_cells(text: str, driven: Driven, seconds: float, unit: str) -> None:
    found = unpack(text)
    assert (found.driven, found.unit, found.rest, found.event, found.other) == (driven, unit, "", False, "")
    assert found.duration_s == pytest.approx(seconds, nan_ok=True)


def test_a_packed_cell_may_hold_a_unit_with_its_own_seconds() -> None:
    found = unpack("idle ml/30 s")
    assert (found.unit, found.driven) == ("ml/30 s", Driven.IDLE)
    assert math.isnan(found.duration_s)


@pytest.mark.parametrize("text", ["EVENT", "Ereignis", "événement", "evento", "werk: pomp", "zdarzenie", "Reparatur"])
def test_packed_cells_that_are_events(text: str) -> None:
    assert unpack(text).event


@pytest.mark.parametrize(
    "text",
    [
        "corrections mm3",
        "Mengenkorrektur",
        "compensation cyl",
        "corrección mg",
        "correzione",
        "correctie",
        "korekty",
        "mm³/Hub",
        "12 mg",
    ],
)
def test_corrections_are_another_quantity(text: str) -> None:
    assert unpack(text).other


@pytest.mark.parametrize(
    "text",
    ["S13 out, S21 new in cyl 1, coded", "S13 raus, S21 neu in Zyl 1", "S13 déposé, S21 neuf au cyl 1",
     "S13 retirado, S21 nuevo en cil 1",
     "S13 smontato, S21 nuovo in cil 1", "S13 verwijderd, S21 nieuw in cil 1", "S13 wymontowany, S21 nowy na cyl 1"],
)  # fmt: skip
def test_replacements(text: str) -> None:
    (told,) = told_events(text)
    assert (told.kind, told.position, told.serial_out, told.serial_in, told.origin) == (
        WorkKind.REPLACEMENT, "1", "S13", "S21", "new",
    )  # fmt: skip


@pytest.mark.parametrize(
    "text",
    [
        "swapped 1<->3 to prove",
        "1 und 3 vertauscht",
        "permutés 1 et 3",
        "intercambiados 1 y 3",
        "scambiati 1 e 3",
        "omgewisseld 1 met 3",
        "zamieniono 1 i 3",
    ],
)
def test_swaps(text: str) -> None:
    (told,) = told_events(text)
    assert (told.kind, told.position, told.position_to) == (WorkKind.SWAP, "1", "3")


@pytest.mark.parametrize(
    ("text", "kind"),
    [("gereinigt", "cleaning"), ("Tacho getauscht", "meter_change"), ("mise à jour", "software_update"),
     ("towed home", "road_failure"),
     ("agua en el gasóleo", "contamination"), ("revisionati", "rebuild"), ("gekalibreerd", "calibration"),
      ("wymiana silnika", "engine_swap"),
     ("washed", "other")],
)  # fmt: skip
def test_other_work(text: str, kind: str) -> None:
    assert told_events(text)[0].kind == kind


def test_serials() -> None:
    assert serials("serials 1=S11 2=S12") == {"1": "S11", "2": "S12"}
    assert serials("Seriennummern 1: A1 2: A2") == {"1": "A1", "2": "A2"}
    assert serials("ratio 1:2") == {}


def test_words_of_fields() -> None:
    assert [answer_word(word) for word in ("ja", "Oui", "sí", "tak", "nein", "nie", "débranché", "maybe")] == [
        True, True, True, True, False, False, False, None,
    ]  # fmt: skip
    assert [driven_word(word) for word in ("Anlasser", "ralentí", "banco", "hill")] == ["crank", "idle", "bench", None]
    assert [measure_word(word) for word in ("Rücklauf", "pompe", "houddruk", "soup")] == [
        Measure.RETURN_FLOW, Measure.PUMP_PEAK, Measure.PUMP_HOLD, None,
    ]  # fmt: skip
    assert [position_word(word) for word in ("Zyl 3", "gesamt", "bomba", "#2", "n° 4", "Motor")] == [
        "3", "set", "pump", "2", "4", "set",
    ]  # fmt: skip
    assert [origin_word(word) for word in ("neu", "regenerowany", "usato", "green")] == ["new", "rebuilt", "used", None]
    assert [reason_word(word) for word in ("Beanstandung", "garantie", "na reparatie", "wrócił", "a noise")] == [
        "complaint", "warranty", "after repair", "return", "a noise",
    ]  # fmt: skip
    assert work_word("Injektor Zyl 3 ersetzt") == WorkKind.REPLACEMENT
    assert work_word("washed") is None


@pytest.mark.parametrize(
    ("text", "quantity", "factor", "over"),
    [("ml/15 s", "volume", 1.0, 15.0), ("ml per 30 s", "volume", 1.0, 30.0), ("ml pro 30 Sek.", "volume", 1.0, 30.0),
     ("ml/15 seg", "volume", 1.0, 15.0), ("cc/15s", "volume", 1.0, 15.0), ("Min", "time", 60.0, None),
      ("Std", "engine time", 1.0, None)],
)  # fmt: skip
def test_units_in_other_words(text: str, quantity: str, factor: float, over: float | None) -> None:
    found = cell_unit(text)
    assert (found.quantity, found.factor, found.over_s) == (quantity, factor, over)
    with pytest.raises(UnitError):
        cell_unit("furlong pro Woche")


def test_flat_keeps_places() -> None:
    for text in ("Überlauf größer", "Ł ó dź", "İstanbul", "Straße", "①"):
        assert len(flat(text)) == len(text)
