"""Makes `late_lives.csv`, the data set of `lives.R`: run  python late_lives.py > late_lives.csv"""

from __future__ import annotations

import sys

import numpy as np


def main() -> None:
    """Print 60 lives of parts on 20 vehicles: distances in 1,000 km, whole, so that some are tied."""
    rng = np.random.default_rng(20261031)
    out = sys.stdout.write
    out("# 60 invented lives on 20 vehicles, distances in 1,000 km: made by late_lives.py\n")
    out("vehicle,group,entry,time,failed,reason\n")
    made = 0
    while made < 60:
        vehicle = made // 3
        scale = 180.0 if vehicle % 2 else 240.0
        entry = int(rng.integers(0, 90)) if rng.random() < 0.7 else 0
        life, end = 1 + int(scale * rng.weibull(2.0)), entry + 1 + int(rng.integers(20, 200))
        if life <= entry:
            continue  # never seen: that is the left truncation
        failed = life <= end
        reason = ("worn" if rng.random() < 0.6 else "broken") if failed else ""
        out(f"{vehicle},{'ab'[vehicle % 2]},{entry},{min(life, end)},{int(failed)},{reason}\n")
        made += 1


if __name__ == "__main__":
    main()
