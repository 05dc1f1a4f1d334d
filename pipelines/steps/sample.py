"""The committed sample: the demo's pack, one part's chart, pictures of the first page and the PDF's first sheets."""

from __future__ import annotations

import shutil
import subprocess
import sys
import tempfile
from datetime import date
from pathlib import Path

from pipelines.steps.fleet_facts import tell
from pipelines.workspace import open_workspace
from wearlab.charts.part import part_chart
from wearlab.charts.style import PAPER
from wearlab.errors import InputError

#: sheets of the PDF that are shown
_SHEETS = 2
#: the browser that takes the picture, where one is installed
_BROWSERS = ("chromium", "chromium-browser", "google-chrome")


def write_sample(home: Path, folder: Path, vehicle: str, position: str, as_of: date) -> None:
    """Put a month's pack, `part.svg` and, where the programs are, `first-page.png` and `pdf-N.png` into a folder."""
    pack = home / "reports" / f"{as_of:%Y-%m}"
    shutil.rmtree(folder, ignore_errors=True)
    shutil.copytree(pack, folder)
    history = tell(open_workspace(home), vehicle, as_of).history
    if history is None:
        raise InputError(f"{vehicle} has no readings to draw")
    series = next(one for one in history.series if one.position == position and one.current and one.limit)
    start, _, rest = part_chart(history, series).svg.partition(">")
    # a page in the dark would otherwise shine through the dark ink
    sheet = f'{start}><rect width="100%" height="100%" fill="{PAPER}"/>{rest}\n'
    (folder / "part.svg").write_text(sheet, encoding="utf-8", newline="\n")
    page, paper = pack / "index.html", pack / "pack.pdf"
    if shutil.which("pdftoppm") and paper.exists():
        pages = ["-f", "1", "-l", str(_SHEETS), "-r", "70", "-png", str(paper), str(folder / "pdf")]
        subprocess.run(["pdftoppm", *pages], check=True, capture_output=True)
    browser = next((found for name in _BROWSERS if (found := shutil.which(name))), None)
    if browser is None:
        return
    with tempfile.TemporaryDirectory() as profile:
        subprocess.run(
            [
                browser, "--headless", "--no-sandbox", "--disable-gpu", "--no-first-run", "--hide-scrollbars",
                "--disable-background-networking", "--disable-component-update", "--disable-sync",
                f"--user-data-dir={profile}", f"--screenshot={folder / 'first-page.png'}",
                "--window-size=1280,1500", page.resolve().as_uri(),
            ],
            check=True,
            capture_output=True,
        )  # fmt: skip


if __name__ == "__main__":
    write_sample(Path(sys.argv[1]), Path(sys.argv[2]), sys.argv[3], sys.argv[4], date.fromisoformat(sys.argv[5]))
