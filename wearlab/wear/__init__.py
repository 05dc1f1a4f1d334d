"""Wear of one part: levels and rates from its readings, with intervals, or a reason why there is none."""
