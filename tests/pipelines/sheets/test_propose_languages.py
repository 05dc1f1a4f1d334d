"""Sheets of every kind in the ordinary words of seven languages: each is understood without a layout."""

# ruff: noqa: E501 -- the rows of sheets stand as they would in a file

from __future__ import annotations

from dataclasses import dataclass
from datetime import date

import pytest

from pipelines.sheets.propose import Proposal, propose
from pipelines.sheets.raw import RawSheet
from wearlab.config import Settings

AS_OF = date(2026, 11, 1)


def table(text: str, sign: str = ";") -> RawSheet:
    return RawSheet(None, [line.split(sign) for line in text.strip("\n").split("\n")])


@dataclass(frozen=True)
class Case:
    language: str
    text: str
    kind: str
    fields: str  # the field of each column from left to right, "/" for one that is not used
    units: str = ""  # of the columns that have one
    formats: tuple[str, ...] = ("%d.%m.%Y",)
    decimal: str = ","


CASES = [
    Case(
        "en",
        """
Truck no;Tested on;Mileage (mi);Engine speed (rpm);Inj 1 [cc];Inj 2 [cc];Inj 3 [cc];Inj 4 [cc];Collection time (s);Mechanic;Remarks
T-04;17/03/2025;88,120;750;12.5;11;13;12;60;JB;
T-04;02/09/2025;97,455;760;14.0;12;15.5;13;60;JB;warm
""",
        "tests", "vehicle date odometer speed reading reading reading reading duration technician note",
        "mi rpm cc cc cc cc s", ("%d/%m/%Y",), ".",
    ),
    Case(
        "en",
        """
Fleet no;Engine type;No of cylinders;Depot;In service since;Warranty until
V1;four;4;North;2019-05-02;2024-05-01
V2;six;6;Mill;2020-11-30;2025-11-29
""",
        "vehicles", "vehicle family cylinders depot in_service warranty_until", "", ("%Y-%m-%d",), ".",
    ),
    Case(
        "de",
        """
Prüfung der Injektoren, Betriebshof Nord
Fahrzeug-Nr.;Prüfdatum;Kilometerstand;Kraftstofftemp. (°C);Raildruck (bar);Dauer (Sek.);Zyl. 1 (ml);Zyl. 2 (ml);Zyl. 3 (ml);Zyl. 4 (ml);Monteur;Bemerkung
W 7;14.02.2025;182.450;41;280;60;12,5;11,0;13,5;12,0;A;
W 7;03.07.2025;201.310;52;280;60;15,5;13,0;22,0;14,5;A;heiß
""",
        "tests",
        "vehicle date odometer fuel_temp rail duration reading reading reading reading technician note",
        "km °C bar Sek ml ml ml ml",
    ),
    Case(
        "de",
        """
Datum;Wagen;Km-Stand;Art der Arbeit;Zylinder;Seriennummer alt;Seriennummer neu;Bemerkung
12.05.2025;W3;150000;Injektor ersetzt;3;S11;S21;
30.06.2025;W3;152310;Falschbetankung;;;;Diesel mit Benzin
02.07.2025;W4;90110;Tachotausch;;;;
""",
        "events", "date vehicle odometer kind position serial_out serial_in note", "km", decimal=".",
    ),
    Case(
        "fr",
        """
Véhicule;Date d'essai;Kilométrage;Condition;Cylindre;Valeur;Unité;Durée (s);Pression rampe (bar);Remarque
C12;25/03/2025;145 200;ralenti;1;12,5;ml;60;280;
C12;25/03/2025;145 200;ralenti;2;11;ml;60;280;
C12;02/04/2025;146 020;démarreur;1;2,5;ml;15;;
""",
        "tests", "vehicle date odometer driven position value unit duration rail note", "km s bar", ("%d/%m/%Y",),
    ),
    Case(
        "fr",
        """
Immatriculation;Date du plein;Compteur (km);Litres
AB 12;28/02/2025;120 450;218,9
AB 14;03/03/2025;98 112;64,0
""",
        "odometer", "vehicle date odometer litres", "km l", ("%d/%m/%Y",),
    ),
    Case(
        "es",
        """
Fecha;Vehículo;Kilometraje;Cilindro 1 (ml);Cilindro 2 (ml);Cilindro 3 (ml);Cilindro 4 (ml);Tiempo (seg);Observaciones
31/01/2025;U4;88.010;10,5;9;8,5;9,5;60;
15/06/2025;U4;97.230;11,5;10;9,5;12;60;ruido
""",
        "tests", "date vehicle odometer reading reading reading reading duration note", "km ml ml ml ml s", ("%d/%m/%Y",),
    ),
    Case(
        "es",
        """
Referencia;Existencias;Pedido;Fecha de entrega
INY-4;3;2;20/12/2026
BOM-1;0;1;05/01/2027
""",
        "stock", "part_number on_hand on_order due_on", "", ("%d/%m/%Y",), ".",
    ),
    Case(
        "it",
        """
Veicolo;Data prova;Chilometri;Iniettore 1 (cc);Iniettore 2 (cc);Iniettore 3 (cc);Iniettore 4 (cc);Durata (secondi);Note
M2;22/04/2025;65.400;14,5;13;13,5;15;60;
M3;09/05/2025;71.120;12,5;12;11,5;13;60;schiuma
""",
        "tests", "vehicle date odometer reading reading reading reading duration note",
        "km cc cc cc cc s", ("%d/%m/%Y",),
    ),
    Case(
        "it",
        """
Mezzo;Data;Pressione massima (bar);Tempo di salita (s);Giri avviamento (giri/min);Volume chiuso (ml);Tensione batteria (V)
M2;18/01/2025;1180;1,4;210;20;11,6
M2;20/06/2025;1090;1,6;205;20;11,5
""",
        "tests", "vehicle date reading reading speed volume battery", "bar s rpm ml V", ("%d/%m/%Y",),
    ),
    Case(
        "nl",
        """
Voertuignummer;Testdatum;Kilometerstand;Verstuiver 1 (ml);Verstuiver 2 (ml);Verstuiver 3 (ml);Verstuiver 4 (ml);Testduur (sec);Opmerkingen
B9;21-02-2025;130 200;8,5;9;8;9,5;30;
B9;03-09-2025;141 870;9,5;9;8,5;10;30;
""",
        "tests", "vehicle date odometer reading reading reading reading duration note",
        "km ml ml ml ml sec", ("%d-%m-%Y",),
    ),
    Case(
        "nl",
        """
Wagen;Geplande datum;Soort bezoek;Vestiging
B9;2027-01-14;onderhoud;Noord
B10;2027-02-01;onderhoud;Zuid
""",
        "visits", "vehicle date kind depot", "", ("%Y-%m-%d",), ".",
    ),
    Case(
        "pl",
        """
Nr pojazdu;Data badania;Przebieg (km);Wtryskiwacz 1 (ml);Wtryskiwacz 2 (ml);Wtryskiwacz 3 (ml);Wtryskiwacz 4 (ml);Czas (sek);Uwagi
P1;17.03.2025;245 100;12,5;14;13;12;60;
P1;04.09.2025;255 300;13,5;15;14;13;60;piana
""",
        "tests", "vehicle date odometer reading reading reading reading duration note", "km ml ml ml ml sek",
    ),
    Case(
        "pl",
        """
Pojazd;Data pomiaru;Warunki;Nr cylindra;Wynik;Jednostka;Czas pomiaru (s)
P4;05.03.2025;bieg jałowy;1;12;ml;60
P4;05.03.2025;bieg jałowy;2;13;ml;60
P4;06.03.2025;rozrusznik;1;2,5;ml;15
""",
        "tests", "vehicle date driven position value unit duration", "s",
    ),
]  # fmt: skip


def found(case: Case) -> Proposal:
    return propose(table(case.text), Settings(), as_of=AS_OF)


@pytest.mark.parametrize("case", CASES, ids=lambda case: f"{case.language}-{case.kind}")
def test_a_sheet_in_the_words_of_a_language_is_understood(case: Case) -> None:
    proposal = found(case)
    assert proposal.layout is not None, proposal.reason
    layout = proposal.layout
    header = next(line for line in case.text.strip("\n").split("\n") if line.count(";") >= 3)
    by_header = {column.header: column for column in layout.columns}
    fields = [by_header[name].field if name in by_header else "/" for name in header.split(";")]
    assert layout.kind == case.kind
    assert " ".join(fields) == case.fields
    units = [by_header[name].unit for name in header.split(";") if name in by_header and by_header[name].unit]
    assert " ".join(str(unit) for unit in units) == case.units
    dated = [
        column.date_formats or layout.file.date_formats for column in layout.columns if column.field.endswith("date")
    ]
    assert all(forms == case.formats for forms in dated)
    assert layout.file.decimal == case.decimal


@pytest.mark.parametrize("case", [one for one in CASES if one.kind == "tests"], ids=lambda case: case.language)
def test_the_measure_and_the_cylinders_are_named(case: Case) -> None:
    layout = found(case).layout
    assert layout is not None
    wide = [column for column in layout.columns if column.field == "reading"]
    if "pump" in str([column.position for column in wide]):
        assert [(column.measure, column.position) for column in wide] == [("pump_peak", "pump"), ("pump_rise", "pump")]
    elif wide:
        assert [(column.measure, column.position) for column in wide] == [("return_flow", str(n)) for n in (1, 2, 3, 4)]
    else:
        value = next(column for column in layout.columns if column.field == "value")
        assert value.measure == "return_flow"


def test_words_in_cells_become_our_words() -> None:
    by_language = {case.language: found(case) for case in CASES if " driven " in f" {case.fields} "}
    words = {}
    for language, proposal in by_language.items():
        assert proposal.layout is not None
        words[language] = next(column.words for column in proposal.layout.columns if column.field == "driven")
    assert words == {
        "fr": {"ralenti": "idle", "démarreur": "crank"},
        "pl": {"bieg jałowy": "idle", "rozrusznik": "crank"},
    }
    events = next(case for case in CASES if case.kind == "events")
    layout = found(events).layout
    assert layout is not None
    assert next(column.words for column in layout.columns if column.field == "kind") == {
        "Injektor ersetzt": "replacement",
        "Falschbetankung": "contamination",
        "Tachotausch": "meter_change",
    }


def test_thousands_by_point_are_kept_to_their_column() -> None:
    german = found(next(case for case in CASES if case.language == "de" and case.kind == "tests")).layout
    assert german is not None
    odometer = next(column for column in german.columns if column.field == "odometer")
    reading = next(column for column in german.columns if column.field == "reading")
    assert odometer.thousands == (".",)
    assert reading.thousands is None
    assert german.file.thousands == ()
