"""The demo's pack under two programs of others: an HTML validator, and accessibility rules run in a real browser.

Each is first shown a page with faults, so that a check that no longer looks is found out.
"""

from __future__ import annotations

import json
import os
import re
import subprocess
from html import unescape
from pathlib import Path
from typing import Any

import pytest

from outside import need, program

#: exact versions, so that a rule added later does not fail an unchanged page (axe-core: MPL-2.0, html-validate: MIT)
AXE, VALIDATOR = "axe-core@4.14.1", "html-validate@10.9.0"
MONTH = "2026-10"
FAULTY = (
    "<!DOCTYPE html><html><head><title>x</title></head><body><main><h1>x</h1>"
    "<p style='color:#ccc;background:#fff'>pale words that nobody can read</p><img src='x.png'><p><div>x</div></p>"
    "<p id=a></p><p id=a></p></main></body></html>"
)
PROBE = """<script src="{axe}"></script><script>
for (const one of document.querySelectorAll("details")) one.open = true;
axe.run(document, {{resultTypes: ["violations"]}}).then(found => {{
  const told = document.createElement("pre");
  told.id = "found";
  told.textContent = JSON.stringify({{
    dark: matchMedia("(prefers-color-scheme: dark)").matches,
    checked: found.passes.length,
    faults: found.violations.map(one => [one.id, one.nodes.length, one.nodes[0].html.slice(0, 200)]),
  }});
  document.body.append(told);
}});
</script></body>"""


def installed(package: str, folder: Path) -> Path:
    """Install one package of npm into a folder of its own and return it."""
    npm = program("npm")
    words = ["--no-package-lock", "--no-audit", "--no-fund", "--ignore-scripts", "--prefix", str(folder)]
    done = subprocess.run(
        [npm, "install", "--silent", *words, package], capture_output=True, text=True, timeout=300, cwd=folder
    )
    need(done.returncode == 0, f"{package} of npm ({done.stderr.strip()[:200] or 'not reached'})")
    return folder / "node_modules"


@pytest.fixture(scope="module")
def validator(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return installed(VALIDATOR, tmp_path_factory.mktemp("validator")) / ".bin" / "html-validate"


@pytest.fixture(scope="module")
def axe(tmp_path_factory: pytest.TempPathFactory) -> Path:
    program("chromium", "chromium-browser", "google-chrome")
    return installed(AXE, tmp_path_factory.mktemp("axe")) / "axe-core" / "axe.min.js"


@pytest.fixture(scope="module")
def pages(demo_home: Path) -> tuple[Path, ...]:
    """The pages of every kind that the demo's pack has, and of its vehicles the largest."""
    folder = demo_home / "reports" / MONTH
    vehicles = sorted(folder.glob("vehicles/*.html"), key=lambda path: path.stat().st_size)
    return (*sorted(folder.glob("*.html")), *vehicles[-1:])


def validated(validator: Path, paths: tuple[Path, ...], folder: Path) -> dict[str, list[str]]:
    """What the validator finds, by page: every rule that the standard itself asks for."""
    rules = folder / "rules.json"
    rules.write_text(json.dumps({"root": True, "extends": ["html-validate:standard"]}), "utf-8")
    words = ["--config", str(rules), "--formatter", "json", *map(str, paths)]
    done = subprocess.run([program("node"), str(validator), *words], capture_output=True, text=True, timeout=120)
    assert done.returncode in (0, 1), done.stderr
    return {
        one["filePath"]: [f"line {each['line']}: {each['ruleId']}: {each['message']}" for each in one["messages"]]
        for one in json.loads(done.stdout)
        if one["messages"]
    }


def looked_at(axe: Path, page: Path, folder: Path, *, dark: bool = False) -> dict[str, Any]:
    """What the rules find on a page, everything that is folded away opened; its own policy lets no script in."""
    text = re.sub(r'<meta http-equiv="Content-Security-Policy"[^>]*>', "", page.read_text("utf-8"))
    copy = folder / "looked_at.html"
    copy.write_text(text.replace("</body>", PROBE.format(axe=axe.as_uri())), "utf-8")
    words = ["--headless", "--disable-gpu", "--allow-file-access-from-files", "--window-size=1440,1000"]
    words += [f"--user-data-dir={folder / 'profile'}", "--virtual-time-budget=60000"]
    if hasattr(os, "geteuid") and os.geteuid() == 0:
        words.append("--no-sandbox")  # the browser refuses to start for root without it
    if dark:
        words.append("--blink-settings=preferredColorScheme=0")
    browser = program("chromium", "chromium-browser", "google-chrome")
    done = subprocess.run(
        [browser, *words, "--dump-dom", copy.as_uri()], capture_output=True, text=True, timeout=180, check=True
    )
    found = re.search(r'<pre id="found">(.*?)</pre>', done.stdout, re.DOTALL)
    assert found is not None, f"{page.name}: the rules did not run to their end"
    told: dict[str, Any] = json.loads(unescape(found[1]))
    return told


def test_the_validator_sees_faults(validator: Path, tmp_path: Path) -> None:
    page = tmp_path / "faulty.html"
    page.write_text(FAULTY, "utf-8")
    (found,) = validated(validator, (page,), tmp_path).values()
    assert {"no-dup-id", "close-order"} <= {one.split(": ")[1] for one in found}


def test_every_page_is_valid_html(validator: Path, pages: tuple[Path, ...], tmp_path: Path) -> None:
    assert pages
    assert validated(validator, pages, tmp_path) == {}


def test_the_rules_see_faults(axe: Path, tmp_path: Path) -> None:
    page = tmp_path / "faulty.html"
    page.write_text(FAULTY, "utf-8")
    assert {"color-contrast", "image-alt", "html-has-lang"} <= {
        one[0] for one in looked_at(axe, page, tmp_path)["faults"]
    }


def test_every_page_can_be_read_by_everybody(axe: Path, pages: tuple[Path, ...], tmp_path: Path) -> None:
    for page in pages:
        told = looked_at(axe, page, tmp_path)
        assert told["checked"] > 10
        assert told["faults"] == [], page.name


def test_so_can_they_in_the_dark(axe: Path, pages: tuple[Path, ...], tmp_path: Path) -> None:
    for page in {path.parent.name: path for path in pages}.values():
        told = looked_at(axe, page, tmp_path, dark=True)
        assert told["dark"]
        assert told["faults"] == [], page.name
