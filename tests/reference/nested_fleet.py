"""Makes nested_fleet.csv: vehicles, parts in them, visits, repeats; run in this folder:  python nested_fleet.py

They only feed both programs with the same readings. What is right is what lme4 says about them (nested_lme4.csv),
not what was put in here. Forty vehicles of two families, three positions each, up to six visits 10,000 to 16,000 km
apart; a third of the positions get a new part in between, whose exposure starts at zero; a tenth of the readings is
missing; about half of a part's visits have a second or third repeat. z is a quantity measured at the visit, rig one of
three rigs with offsets that add to the reading.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np

SEED = 20360117
RIG = np.array([0.0, 0.4, -0.3])
LEVEL, RATE = {"ash": 4.0, "birch": 5.0}, {"ash": 0.50, "birch": 0.75}


def rows() -> list[str]:
    """Readings in ml, exposure in 10,000 km since the life began."""
    dice = np.random.default_rng(SEED)
    pair = np.linalg.cholesky([[0.36, 0.5 * 0.6 * 0.2], [0.5 * 0.6 * 0.2, 0.04]])
    made = []
    for v in range(40):
        family = "ash" if v % 5 < 3 else "birch"
        vehicle = f"V{v + 1:02d}"
        vehicle_level, vehicle_rate = dice.normal(0, 0.5), dice.normal(0, 0.15)
        visits = int(dice.integers(4, 7))
        odometer = np.cumsum(dice.uniform(1.0, 1.6, visits)).round(4)
        z, rig = dice.normal(0, 1, visits).round(3), dice.integers(0, 3, visits)
        shared = dice.normal(0, 0.2, visits)
        for position in range(1, 4):
            renewed = int(dice.integers(2, visits - 1)) if dice.random() < 1 / 3 else visits
            life, start = 0, 0.0
            level, rate = pair @ dice.normal(0, 1, 2)
            for t in range(visits):
                if t == renewed:
                    life, start = 1, float(odometer[t - 1])
                    level, rate = pair @ dice.normal(0, 1, 2)
                x = odometer[t] - start
                own = dice.normal(0, 0.15)
                repeats = 1 + int(dice.integers(0, 3)) * int(dice.random() < 0.7)
                kept = dice.random() > 0.1
                errors = dice.normal(0, 0.25, repeats)
                if not kept:
                    continue
                mean = LEVEL[family] + RATE[family] * x + 0.12 * z[t] + RIG[rig[t]]
                mean += vehicle_level + vehicle_rate * x + level + rate * x + shared[t] + own
                for repeat, error in enumerate(errors, 1):
                    part, visit = f"{vehicle}-{position}{'ab'[life]}", f"{vehicle}-t{t + 1}"
                    names = f"{vehicle},{part},{visit},{repeat},{family},rig{rig[t] + 1}"
                    made.append(f"{names},{z[t]:.3f},{x:.4f},{mean + error:.4f}")
    return made


if __name__ == "__main__":
    head = ["# Readings made by nested_fleet.py, for nested_lme4.R", "vehicle,part,visit,repeat,family,rig,z,x,y"]
    Path(__file__).with_name("nested_fleet.csv").write_text("\n".join([*head, *rows()]) + "\n")
