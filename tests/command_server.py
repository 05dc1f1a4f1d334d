"""A process that has everything imported and runs commands in forks of itself: quick to begin, safe to kill."""

from __future__ import annotations

import json
import os
import subprocess
import sys
import tempfile
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest

ROOT = Path(__file__).parents[1]

#: Every line of its input is a command; it answers with the exit code (negative: the signal) and the seconds it took.
SERVER = """
import importlib, json, os, pkgutil, platform, signal, sys, time
CAPSET = {"x86_64": 126, "aarch64": 91}.get(platform.machine(), 185)
for package in ("wearlab", "pipelines"):
    top = importlib.import_module(package)
    for found in pkgutil.walk_packages(top.__path__, package + "."):
        importlib.import_module(found.name)
import openpyxl, pandas, matplotlib.pyplot, xlsxwriter
from pipelines.cli import main
print("[0, 0]", flush=True)
for line in sys.stdin:
    job = json.loads(line)
    began = time.monotonic()
    child = os.fork()
    if child == 0:
        code = 3
        try:
            os.setpgid(0, 0)
            for stream, path in ((1, job["out"]), (2, job["err"])):
                os.dup2(os.open(path, os.O_WRONLY | os.O_CREAT | os.O_TRUNC, 0o644), stream)
            os.environ.update(job["env"])
            time.tzset()
            if job["setlocale"]:
                import locale
                locale.setlocale(locale.LC_ALL, "")
            if job["most_bytes"]:
                import resource
                resource.setrlimit(resource.RLIMIT_FSIZE, (job["most_bytes"], job["most_bytes"]))
            if job["bound_by_modes"] and os.geteuid() == 0:
                # root without its capabilities: still the owner of all files, and bound by their modes
                import ctypes
                head, none = (ctypes.c_uint32 * 2)(0x20080522, 0), (ctypes.c_uint32 * 6)()
                if ctypes.CDLL(None, use_errno=True).syscall(CAPSET, head, none):
                    os._exit(77)
            os.chdir(job["cwd"])
            if job["dies_at"]:
                module, name = job["dies_at"].split(":")
                place = importlib.import_module(module)
                if "." in name:
                    owner, name = name.split(".")
                    place = getattr(place, owner)
                real, calls = getattr(place, name), [0]
                def dying(*given, **named):
                    calls[0] += 1
                    if calls[0] == job["at_call"]:
                        os.kill(os.getpid(), signal.SIGKILL)
                    return real(*given, **named)
                setattr(place, name, dying)
            main(job["words"])
        except SystemExit as leaving:
            code = leaving.code or 0
        finally:
            sys.stdout.flush()
            sys.stderr.flush()
            os._exit(code)
    if job["kill_after"] is not None:
        time.sleep(job["kill_after"])
        try:
            os.killpg(child, signal.SIGKILL)
        except ProcessLookupError:
            os.kill(child, signal.SIGKILL)
    code = os.waitstatus_to_exitcode(os.waitpid(child, 0)[1])
    print(json.dumps([code, time.monotonic() - began]), flush=True)
"""


@dataclass(frozen=True)
class Ended:
    """How a command ended: its exit code, -9 when it was killed, what it printed, and the seconds it took."""

    code: int
    out: str
    err: str
    seconds: float

    @property
    def json(self) -> Any:
        """The printed JSON."""
        return json.loads(self.out)

    @property
    def sentence(self) -> str:
        """The one sentence of a fault."""
        (line,) = [line for line in self.err.splitlines() if not line.startswith("waiting for another")]
        assert line.startswith("wearlab: ")
        assert "fault of its own" not in line
        return line


class Commands:
    """The process behind: it runs one command at a time."""

    def __init__(self, process: subprocess.Popen[str], folder: Path) -> None:
        self.process = process
        self.folder = folder

    def run(
        self,
        *words: object,
        cwd: Path = ROOT,
        env: Mapping[str, str] | None = None,
        kill_after: float | None = None,
        most_bytes: int = 0,
        bound_by_modes: bool = False,
        setlocale: bool = False,
        dies_at: str = "",
        at_call: int = 1,
    ) -> Ended:
        """Run a command.

        `kill_after` : seconds after which it is killed; `most_bytes` : size that no file may pass;
        `bound_by_modes` : may not write what is not writable, even where root runs the tests; `setlocale` : take over
        the locale of the environment, as a program around it may; `dies_at` : "module:function" that kills the process
        when it is called for the `at_call`-th time.
        """
        out, err = self.folder / "out", self.folder / "err"
        job = {
            "words": [str(word) for word in words],
            "cwd": str(cwd),
            "env": dict(env or {}),
            "bound_by_modes": bound_by_modes,
        }
        job |= {"kill_after": kill_after, "most_bytes": most_bytes, "setlocale": setlocale}
        job |= {"dies_at": dies_at, "at_call": at_call}
        assert self.process.stdin is not None
        self.process.stdin.write(json.dumps(job | {"out": str(out), "err": str(err)}) + "\n")
        self.process.stdin.flush()
        code, seconds = self.answer()
        return Ended(int(code), out.read_text("utf-8", "replace"), err.read_text("utf-8", "replace"), seconds)

    def answer(self) -> tuple[float, float]:
        """The next answer of the process."""
        assert self.process.stdout is not None
        code, seconds = json.loads(self.process.stdout.readline())
        return code, seconds


@contextmanager
def served() -> Iterator[Commands]:
    """Start the process; needs a system that can fork."""
    if not hasattr(os, "fork"):
        pytest.skip("no fork there, and no kill -9 either")
    words = [sys.executable, "-c", SERVER]
    env = {**os.environ, "PYTHONPATH": str(ROOT), "MPLBACKEND": "agg"}
    with (
        tempfile.TemporaryDirectory() as folder,
        subprocess.Popen(words, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True, env=env) as process,
    ):
        made = Commands(process, Path(folder))
        assert made.answer() == (0, 0)
        yield made
        assert process.stdin is not None
        process.stdin.close()
