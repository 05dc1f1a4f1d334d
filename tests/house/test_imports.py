"""Imports run one way: analysis never knows the pipelines, and each part of it only what stands to its left."""

from __future__ import annotations

import ast
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]

# each group may import the groups to its left (and itself); store stands beside the line
LINE = [
    {
        "errors",
        "language",
        "words",
        "records",
        "units",
        "strict_settings",
        "limit_settings",
        "rig_settings",
        "toml_text",
        "part_settings",
        "plan_settings",
        "word_settings",
        "config",
        "__init__",
    },
    {"conditions", "lives"},
    {"wear"},
    {"control", "forecast"},
    {"plan", "study"},
    {"charts"},
    {"pack"},
]
RANK = {name: rank for rank, group in enumerate(LINE) for name in group}


def _modules(package: str) -> list[Path]:
    return sorted((ROOT / package).rglob("*.py"))


def _imported(path: Path) -> set[str]:
    names: set[str] = set()
    for node in ast.walk(ast.parse(path.read_text("utf-8"))):
        if isinstance(node, ast.Import):
            names |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{path}: relative import"
            names.add(node.module or "")
            names |= {f"{node.module}.{alias.name}" for alias in node.names}
    return names


def _part(module: str) -> str:
    words = module.split(".")
    return words[1] if len(words) > 1 and words[1] in {*RANK, "store"} else "__init__"


@pytest.mark.parametrize("path", _modules("wearlab"), ids=lambda p: str(p.relative_to(ROOT)))
def test_wearlab_imports_only_to_its_left(path: Path) -> None:
    inside = path.relative_to(ROOT / "wearlab").parts
    home = inside[0].removesuffix(".py")
    assert home in RANK or home == "store", f"{home} has no place in the line"
    for module in _imported(path):
        assert not module.startswith("pipelines"), f"{path} imports {module}"
        if not module.startswith("wearlab"):
            continue
        part = _part(module)
        if home == "store":
            assert part in {"store", "errors", "records", "__init__"}, f"{path} imports {module}"
        else:
            assert part == home or RANK.get(part, 99) < max(RANK[home], 1), f"{path} imports {module}"


def test_only_one_file_opens_duckdb() -> None:
    found = [p for package in ("wearlab", "pipelines") for p in _modules(package) if "duckdb" in _imported(p)]
    assert [p.relative_to(ROOT).as_posix() for p in found] == ["wearlab/store/database.py"]


def test_no_print_in_the_analysis() -> None:
    for path in _modules("wearlab"):
        calls = [n for n in ast.walk(ast.parse(path.read_text("utf-8"))) if isinstance(n, ast.Call)]
        assert not [c for c in calls if isinstance(c.func, ast.Name) and c.func.id in {"print", "eval", "exec"}]


def test_commands_import_heavy_libraries_only_inside() -> None:
    heavy = {"pandas", "matplotlib", "scipy", "numpy", "statsmodels", "duckdb", "openpyxl"}
    for path in _modules("pipelines/cli"):
        top = [n for n in ast.parse(path.read_text("utf-8")).body if isinstance(n, (ast.Import, ast.ImportFrom))]
        names = {
            (alias.name if isinstance(n, ast.Import) else (n.module or "")).split(".")[0]
            for n in top
            for alias in n.names
        }
        assert not names & heavy, path
