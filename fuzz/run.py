"""Run the targets one after the other and tell what they found: `python -m fuzz.run [--seconds N] [TARGET ...]`.

A target that the system ends (a fault inside a foreign library, too much memory, a hang) is started again until its
time is over. What it learned stays in build/fuzz/TARGET/corpus and is used by the next run; faults are in
build/fuzz/TARGET/faults, inputs that ended the process in build/fuzz/TARGET/ended.
"""

from __future__ import annotations

import argparse
import os
import subprocess
import sys
import time

from fuzz.harness import KEEP
from fuzz.seeds import ROOT, seeds, words

TARGETS = ("settings", "settle", "readers", "proposer")
LEAST_S = 5


def run(target: str, seconds: int) -> int:
    """Fuzz one target for a while; returns how many different faults there are."""
    home = ROOT / "build/fuzz" / target
    folders = {name: home / name for name in ("corpus", "seeds", "faults", "ended")}
    for folder in folders.values():
        folder.mkdir(parents=True, exist_ok=True)
    for place, seed in enumerate(seeds(target)):
        (folders["seeds"] / f"{place:03d}").write_bytes(seed)
    (home / "words").write_text(words(target), encoding="utf-8")
    ends = time.monotonic() + seconds
    with (home / "log").open("ab") as log:
        while (left := int(ends - time.monotonic())) >= LEAST_S:
            command = [
                sys.executable, "-m", f"fuzz.target_{target}", str(folders["corpus"]), str(folders["seeds"]),
                f"-max_total_time={left}", "-rss_limit_mb=2048", "-timeout=10", "-max_len=8192",
                f"-dict={home / 'words'}", f"-artifact_prefix={folders['ended']}/", "-print_final_stats=1",
            ]  # fmt: skip
            surroundings = os.environ | {KEEP: str(folders["faults"]), "PYTHONFAULTHANDLER": "1"}
            began = time.monotonic()
            ended = subprocess.run(command, cwd=ROOT, env=surroundings, stdout=log, stderr=log, check=False)
            if ended.returncode == 0:
                break
            if time.monotonic() - began < LEAST_S:
                raise SystemExit(f"the target {target} does not start: see {home / 'log'}; it needs atheris")
    faults = [path for path in folders["faults"].iterdir() if not path.suffix]
    return len(faults) + sum(1 for path in folders["ended"].iterdir() if not path.name.startswith("slow"))


def main() -> int:
    """Run what was asked for; 1 where there is a fault."""
    asked = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    asked.add_argument("targets", nargs="*", metavar="TARGET", help=f"of {', '.join(TARGETS)}; none: all of them")
    asked.add_argument("--seconds", type=int, default=1800, help="for each target")
    told = asked.parse_args()
    found = {target: run(target, told.seconds) for target in told.targets or TARGETS}
    for target, count in found.items():
        sys.stdout.write(f"{target}: {count} faults in {ROOT / 'build/fuzz' / target}\n")
    return int(any(found.values()))


if __name__ == "__main__":
    raise SystemExit(main())
