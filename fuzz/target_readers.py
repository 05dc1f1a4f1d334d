"""Target: the readers of CSV, JSON lines, XLSX, ODS, Parquet and archives.

The first byte says what the rest is: C text, J JSON lines, X and O parts of a workbook (packed here), P Parquet, Z an
archive, B a whole file of any kind.
"""

from __future__ import annotations

import sys
import tempfile
from pathlib import Path

import atheris

with atheris.instrument_imports(include=["wearlab", "pipelines", "csv", "json", "zipfile", "codecs"]):
    from pipelines.sheets.files import file_sha256, find_files, read_file, size_of

from fuzz.containers import ODS, XLSX, packed
from fuzz.harness import judged
from fuzz.whole import whole_file

FOLDER = Path(tempfile.mkdtemp(prefix="wearlab-fuzz-"))
NAMES = {"C": "a.csv", "J": "a.jsonl", "X": "a.xlsx", "O": "a.ods", "P": "a.parquet", "Z": "a.zip", "B": "a.txt"}


def readers(data: bytes) -> None:
    """Read one file, and every sheet of an archive; what is read must be whole."""
    kind, content = chr(data[0]) if data else "C", data[1:]
    if kind in "XO":
        content = packed(XLSX if kind == "X" else ODS, content)
    elif kind == "P" and not content.startswith(b"PAR1"):
        content = b"PAR1" + content
    path = FOLDER / NAMES.get(kind, "a.csv")
    path.write_bytes(content)
    for file in find_files([path])[:5]:
        size_of(file)
        file_sha256(file)
        whole_file(read_file(file))


if __name__ == "__main__":
    atheris.Setup(sys.argv, judged(readers))
    atheris.Fuzz()
