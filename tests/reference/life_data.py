"""The life data of this folder as lives: what stands in the files, every unit once."""

from __future__ import annotations

import numpy as np

from reference.results import read_table
from wearlab.study.life_data import LifeData

#: failures at the end of a test of 500 h, ten of them alive then: NIST/SEMATECH e-Handbook of Statistical Methods,
#: section 8.4.1
NIST_8_4_1 = LifeData.of([54, 187, 216, 240, 244, 335, 361, 373, 375, 386, *[500] * 10], [*[True] * 10, *[False] * 10])

#: weeks of remission with 6-MP (21 of them) and with placebo: Freireich et al. (1963), Blood 21; Cox & Oakes (1984)
WITH_6MP = [6, 6, 6, 6, 7, 9, 10, 10, 11, 13, 16, 17, 19, 20, 22, 23, 25, 32, 32, 34, 35]
ENDED = [1, 1, 1, 0, 1, 0, 1, 0, 0, 1, 1, 0, 0, 0, 1, 1, 0, 0, 0, 0, 0]
PLACEBO = [1, 1, 2, 2, 3, 4, 4, 5, 5, 8, 8, 8, 8, 11, 11, 12, 12, 15, 17, 22, 23]
REMISSION = LifeData.of([*WITH_6MP, *PLACEBO], [*ENDED, *[1] * 21])
TREATED = np.array(["treated"] * 21 + ["placebo"] * 21)


def shock_absorbers(mode: str | None = None) -> LifeData:
    """38 shock absorbers; with a `mode` only failures of that mode count."""
    table = read_table("shock_absorber")
    failed = [one != "Censored" if mode is None else one == mode for one in table["mode"]]
    return LifeData.of([float(x) for x in table["distance"]], failed)


def counted(name: str) -> LifeData:
    """A table of hours, whether failed, and how many: `bearing_cage`, `diesel_fan`."""
    table = read_table(name)
    many = [int(x) for x in table["count"]]
    return LifeData.of(
        np.repeat([float(x) for x in table["hours"]], many), np.repeat([x == "1" for x in table["failed"]], many)
    )
