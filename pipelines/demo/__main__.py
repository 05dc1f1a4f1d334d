"""`python -m pipelines.demo OUT_DIR` writes the demo fleet's sheets, settings, layouts and truth."""

from __future__ import annotations

import argparse
from pathlib import Path

from pipelines.demo.scenario import SEED
from pipelines.demo.write import write_demo


def main() -> None:
    """Read the arguments and write the demo."""
    parser = argparse.ArgumentParser(prog="python -m pipelines.demo", description=__doc__)
    parser.add_argument("folder", type=Path, metavar="OUT_DIR")
    parser.add_argument("--seed", type=int, default=SEED, help=f"another fleet of the same kind (default {SEED})")
    given = parser.parse_args()
    write_demo(given.folder, given.seed)


if __name__ == "__main__":
    main()
