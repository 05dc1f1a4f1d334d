"""What comes from outside reaches the store as a parameter only; and nothing that is read is ever run.

A query is a text of the program's own: a literal, or one put together from literals, from constants of a module, from
names out of a fixed list of them, and from identifiers that went through `quoted`. Anything else in it fails here.
"""

from __future__ import annotations

import ast
import re
from collections.abc import Iterable, Iterator
from pathlib import Path

import pytest

from own_text import PACKAGES, ROOT, Judge, called, calls_of, last, module_of, tree_of

#: Methods of the store and of its library that run SQL, and how variables are called that hold one.
METHODS = {"rows", "value", "records", "frame", "run", "execute", "executemany", "sql", "query"}
RECEIVERS = {"database", "db", "store", "writer", "reader", "con", "_con", "connection", "cursor", "fresh", "made"}
#: Texts of the package itself that the tree does not show: the schema and its changes, read from files beside the code,
#: and the rules of the store, which a test of their own looks at.
OWN_TEXTS = {
    ("wearlab/store/database.py", "statement"),
    ("wearlab/store/check.py", "f'SELECT count(*) FROM ({rule.sql})'"),
    ("wearlab/store/check.py", "f'SELECT * FROM ({rule.sql}) ORDER BY 1 LIMIT {NAMED}'"),
}
RULES = ROOT / "wearlab/store/rules.py"

_BEGINS = re.compile(r"\s*(SELECT|INSERT|UPDATE|DELETE|CREATE|DROP|WITH|DESCRIBE|COPY|ALTER|SET|PRAGMA)\b", re.I)


def _files() -> list[Path]:
    return sorted(path for package in PACKAGES for path in (ROOT / package).rglob("*.py"))


def _queries(path: Path) -> Iterator[tuple[ast.Call, ast.expr]]:
    """Every call that runs SQL, with the SQL."""
    for call in calls_of(path):
        if not isinstance(call.func, ast.Attribute) or call.func.attr not in METHODS:
            continue
        first = call.args[0] if call.args else next((one.value for one in call.keywords if one.arg == "sql"), None)
        if first is not None and last(call.func.value) in RECEIVERS:
            yield call, first


def _faults(path: Path) -> list[str]:
    name = path.relative_to(ROOT).as_posix() if path.is_relative_to(ROOT) else path.name
    found = []
    for call, sql in _queries(path):
        if isinstance(sql, ast.Constant) or (name, ast.unparse(sql)) in OWN_TEXTS:
            continue
        module = module_of(path)
        inside = any(isinstance(one, ast.ClassDef) and one.name == "Database" for one in module.around(call))
        if name == "wearlab/store/database.py" and inside and isinstance(sql, ast.Name) and sql.id == "sql":
            continue  # the store itself hands on what it is given; who gives it is judged
        if not Judge(module).own(sql):
            found.append(f"{name}:{call.lineno}: {ast.unparse(sql)[:100]}")
    return found


@pytest.mark.parametrize("package", PACKAGES)
def test_every_query_is_a_text_of_our_own(package: str) -> None:
    faults = [fault for path in sorted((ROOT / package).rglob("*.py")) for fault in _faults(path)]
    assert not faults, "\n".join(faults)


def test_the_rules_of_the_store_are_texts_of_our_own() -> None:
    rules = module_of(RULES)
    made = [call for call in ast.walk(rules.tree) if isinstance(call, ast.Call) and called(call) == "Rule"]
    assert len(made) >= 3
    assert all(len(call.args) >= 2 and Judge(rules).own(call.args[1]) for call in made)
    for path in _files():
        strange = [call for call in calls_of(path) if called(call) == "Rule"]
        assert path == RULES or not strange or "wearlab.store.rules" not in path.read_text("utf-8"), path


def test_no_query_escapes_because_its_store_has_another_name() -> None:
    strange = []
    for path in _files():
        for call in calls_of(path):
            if not isinstance(call.func, ast.Attribute) or call.func.attr not in METHODS:
                continue
            texts = [one for arg in call.args[:1] for one in ast.walk(arg) if isinstance(one, ast.Constant)]
            sql = any(isinstance(one.value, str) and _BEGINS.match(one.value) for one in texts)
            if sql and last(call.func.value) not in RECEIVERS:
                strange.append(f"{path.relative_to(ROOT)}:{call.lineno}: {ast.unparse(call.func)}")
    assert not strange, "\n".join(strange)


_GOOD = """
from wearlab.store.names import quoted
_TABLE = "test"
_KINDS = ("a", "b")
def _one(db, table):
    return db.rows(f"SELECT * FROM {table}")
def all_of(db, name, values):
    column = "km" if values else "h"
    db.run(f"DELETE FROM {_TABLE} WHERE kind = ?", [name])
    db.run(f"INSERT INTO test ({', '.join(quoted(one) for one in values)}) VALUES ({', '.join('?' for _ in values)})")
    db.rows("SELECT " + column + f" FROM {quoted(name)}")
    for table in _KINDS:
        db.run(f"DROP TABLE {table}")
    return _one(db, "reading")
"""


def _judged(tmp_path: Path, text: str) -> list[str]:
    path = tmp_path / "made.py"
    path.write_text(text, encoding="utf-8")
    return _faults(path)


def test_what_is_allowed_passes(tmp_path: Path) -> None:
    assert _judged(tmp_path, _GOOD) == []


@pytest.mark.parametrize(
    "line",
    [
        "db.rows(f'SELECT * FROM {name}')",
        "db.rows('SELECT * FROM ' + name)",
        "db.run('DELETE FROM {}'.format(name))",
        "db.run('DELETE FROM %s' % name)",
        "db.value(name)",
        "db.frame(f'SELECT * FROM t WHERE x = {name!r}')",
        "sql = 'SELECT 1'; sql += name; db.rows(sql)",
        "db.rows(', '.join(values))",
        "[db.run(f'DROP TABLE {one}') for one in values]",
        "db.execute(name.strip())",
        "db.execute(other(name))",
        "db.execute(sql=f'SELECT {name}')",
        "db.rows(f'SELECT {quoted(name)} FROM {name}')",
        "db.rows(_given(name))",
        "kind = _KINDS[name] if name else name; db.rows(kind)",
    ],
)
def test_what_is_not_allowed_fails(tmp_path: Path, line: str) -> None:
    text = _GOOD + f"def _given(text):\n    return 'SELECT ' + text\ndef bad(db, name, values):\n    {line}\n"
    assert len(_judged(tmp_path, text)) == 1


_CONDITIONS = """
def _where(*conditions):
    given = [(words, value) for words, value in conditions if value is not None]
    return " AND ".join(words for words, _value in given) or "TRUE", [value for _words, value in given]
def found(db, name, day):
    wanted, values = _where(("vehicle = ?", name), ({}, day))
    return db.rows(f"SELECT 1 FROM test WHERE {{{}}}", values)
"""


@pytest.mark.parametrize(
    ("condition", "used", "faults"),
    [("'day = ?'", "wanted", 0), ("name", "wanted", 1), ("'day = ?'", "values", 1), ("'day = ' + day", "wanted", 1)],
)
def test_conditions_that_may_be_left_open(tmp_path: Path, condition: str, used: str, faults: int) -> None:
    assert len(_judged(tmp_path, _CONDITIONS.format(condition, used))) == faults


#: What runs or unpacks code out of data, by module and by name.
_RUNS_MODULES = {"pickle", "marshal", "shelve", "dill", "cloudpickle", "jsonpickle", "code", "codeop", "yaml"}
_RUNS_CALLS = {"eval", "exec", "compile", "__import__", "system", "popen", "read_pickle", "to_pickle", "loadLibrary"}


def _running(tree: ast.Module, calls: Iterable[ast.Call]) -> list[str]:
    found = []
    for node in ast.walk(tree):
        if isinstance(node, ast.Import):
            found += [one.name for one in node.names if one.name.split(".")[0] in _RUNS_MODULES]
        elif isinstance(node, ast.ImportFrom) and (node.module or "").split(".")[0] in _RUNS_MODULES:
            found.append(node.module or "")
    for call in calls:
        receiver = last(call.func.value) if isinstance(call.func, ast.Attribute) else ""
        name = called(call)
        if name in _RUNS_CALLS and not (name == "compile" and receiver == "re"):
            found.append(ast.unparse(call.func))
        found += [
            str(one.arg) for one in call.keywords if one.arg in ("shell", "allow_pickle") and not _is_false(one.value)
        ]
    return found


def _is_false(node: ast.expr) -> bool:
    return isinstance(node, ast.Constant) and node.value is False


def test_nothing_that_is_read_is_ever_run() -> None:
    found = {
        path.relative_to(ROOT).as_posix(): faults
        for path in _files()
        if (faults := _running(tree_of(path), calls_of(path)))
    }
    assert not found


@pytest.mark.parametrize(
    "line",
    [
        "import pickle",
        "from marshal import loads",
        "import yaml",
        "eval(x)",
        "exec(x)",
        "os.system(x)",
        "subprocess.run(x, shell=True)",
        "subprocess.run(x, shell=y)",
        "np.load(x, allow_pickle=True)",
        "pd.read_pickle(x)",
        "compile(x, y, z)",
        "__import__(x)",
    ],
)
def test_what_runs_data_is_found(line: str) -> None:
    tree = ast.parse(line)
    assert _running(tree, [one for one in ast.walk(tree) if isinstance(one, ast.Call)])


def test_a_pattern_is_no_program() -> None:
    tree = ast.parse("re.compile(x); subprocess.run([x]); subprocess.run(x, shell=False)")
    assert not _running(tree, [one for one in ast.walk(tree) if isinstance(one, ast.Call)])
