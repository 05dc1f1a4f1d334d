"""Wear of parts: levels and rates from their readings, with intervals, or a reason why there is none."""

from wearlab.wear.data import WearData
from wearlab.wear.group import fit_group
from wearlab.wear.results import WearFit
from wearlab.wear.scale import STRAIGHT, WorkingScale

__all__ = ["STRAIGHT", "WearData", "WearFit", "WorkingScale", "fit_group"]
