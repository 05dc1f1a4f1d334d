"""All of a monthly pack in one place: what its pages, its workbook and its PDF are made from."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import date

from wearlab.charts.series import Series
from wearlab.charts.words import measure_words
from wearlab.language import ENGLISH, spoken
from wearlab.pack.about_page import AboutPage
from wearlab.pack.first_page import BookRow, ChangeRow, FirstPage, SignalRow, TestRow
from wearlab.pack.fleet_page import FleetPage
from wearlab.pack.fleet_pictures import Picture
from wearlab.pack.view import MonthView, VehicleView
from wearlab.records import State

#: fleets up to this size have a page for every vehicle, larger ones only for those that ask for somebody
EVERY_PAGE = 300

#: states of a vehicle that ask for nobody
_QUIET = (None, State.STEADY.value, State.NO_LIMIT.value)


def is_pressing(worst_state: str | None) -> bool:
    """Whether a vehicle of this worst state asks for somebody."""
    return worst_state not in _QUIET


def asked_for(first: FirstPage) -> set[str | None]:
    """The vehicles that a signal or a visit with work asks for, whatever their state; None: a signal of several."""
    return {signal.vehicle for signal in first.signals} | {row.vehicle for month in first.book for row in month.rows}


@dataclass(frozen=True, slots=True)
class PackView:
    """All of a pack; `pictures` holds the chart of a signal by its key, `others` are (name, file) of its other files.

    A signal without a chart is not in `pictures`.
    """

    month: MonthView
    first: FirstPage
    fleet: FleetPage
    about: AboutPage
    pictures: Mapping[str, Picture] = field(default_factory=dict)
    others: tuple[tuple[str, str], ...] = ()

    @property
    def head(self) -> Head:
        """What stands on every page."""
        month, language = self.month, spoken()
        return Head(
            month.workspace, month.title, month.as_of, month.version, self.others, language.name, language.locale
        )

    @property
    def shown(self) -> tuple[VehicleView, ...]:
        """The vehicles that have a page of their own."""
        return self.month.vehicles if len(self.month.vehicles) <= EVERY_PAGE else self.asking

    @property
    def asking(self) -> tuple[VehicleView, ...]:
        """The vehicles that ask for somebody: by a state, a signal, or a visit with work."""
        asked = asked_for(self.first)
        return tuple(one for one in self.month.vehicles if is_pressing(one.worst_state) or one.vehicle in asked)

    def signals(self, vehicle: str | None) -> tuple[SignalPicture, ...]:
        """The open signals of a vehicle (None: of several vehicles), each chart with the first signal that has it."""
        drawn: set[str] = set()
        found = []
        for row in self.first.signals:
            if row.vehicle == vehicle:
                picture = self.pictures.get(row.key)
                if picture is not None and picture.chart.svg in drawn:
                    picture = None
                elif picture is not None:
                    drawn.add(picture.chart.svg)
                found.append(SignalPicture(row, picture))
        return tuple(found)

    def sheet(self, vehicle: VehicleView) -> VehicleSheet:
        """What a vehicle's page shows."""
        key = vehicle.vehicle
        return VehicleSheet(
            head=self.head,
            vehicle=vehicle,
            visits=tuple(row for month in self.first.book for row in month.rows if row.vehicle == key),
            tests=tuple(row for row in self.first.tests if row.vehicle == key),
            changes=tuple(row for row in self.first.changes if row.vehicle == key),
            signals=self.signals(key),
            cautions=self.first.cautions,
        )


@dataclass(frozen=True, slots=True)
class Head:
    """What stands on every page of a pack; `others` are (name, file) of the pack's other files.

    `language` and `locale` are those that it is told in, for a page may be drawn by another process.
    """

    workspace: str
    title: str
    as_of: date
    version: str
    others: tuple[tuple[str, str], ...] = ()
    language: str = ENGLISH
    locale: str | None = None


@dataclass(frozen=True, slots=True)
class SignalPicture:
    """A signal with its control chart, None where there is none or an earlier signal shows it."""

    row: SignalRow
    picture: Picture | None


@dataclass(frozen=True, slots=True)
class VehicleSheet:
    """One vehicle's page: its view and what the plan and the signals say of it."""

    head: Head
    vehicle: VehicleView
    visits: tuple[BookRow, ...] = ()
    tests: tuple[TestRow, ...] = ()
    changes: tuple[ChangeRow, ...] = ()
    signals: tuple[SignalPicture, ...] = ()
    cautions: tuple[str, ...] = ()

    def signalled(self, series: Series) -> bool:
        """Whether one of the signals is of this part and test, by the heading that ends with the test."""
        test = f": {measure_words(series.measure)}, {series.protocol}"
        return any(
            signal.row.position == series.position and signal.row.heading.endswith(test) for signal in self.signals
        )
