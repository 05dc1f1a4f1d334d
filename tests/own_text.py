"""Whether an expression of the program can hold nothing but the program's own text: told from its syntax tree.

Own are literals, what is put together from literals, constants of a module (in the same file or imported), members of
an enumeration, what a loop takes out of a fixed list, a private function's parameter to which every call gives own
text, and whatever went through the one helper that quotes names.
"""

from __future__ import annotations

import ast
from collections.abc import Iterator
from functools import cache
from pathlib import Path

ROOT = Path(__file__).parents[1]
PACKAGES = ("wearlab", "pipelines")

#: The one helper that makes an identifier out of any text.
HELPER = "quoted"


@cache
def tree_of(path: Path) -> ast.Module:
    """Return a file's syntax tree."""
    return ast.parse(path.read_text("utf-8"))


@cache
def calls_of(path: Path) -> tuple[ast.Call, ...]:
    """Return every call in a file."""
    return tuple(node for node in ast.walk(tree_of(path)) if isinstance(node, ast.Call))


@cache
def module_of(path: Path) -> Module:
    """Return a file, looked through once."""
    return Module(path)


class Module:
    """One file: its constants, functions, imports, and which function every node stands in."""

    def __init__(self, path: Path) -> None:
        self.path = path
        self.tree = tree_of(path)
        self.parents = {child: node for node in ast.walk(self.tree) for child in ast.iter_child_nodes(node)}
        self._said: dict[ast.AST, dict[str, tuple[list[ast.expr], list[ast.For]]]] = {}
        self.constants: dict[str, list[ast.expr]] = {}
        for statement in self.tree.body:
            for name, value in _assigned(statement):
                self.constants.setdefault(name, []).append(value)
        self.functions = [node for node in ast.walk(self.tree) if isinstance(node, ast.FunctionDef)]
        self.imported = {
            alias.asname or alias.name: (node.module or "", alias.name)
            for node in ast.walk(self.tree)
            if isinstance(node, ast.ImportFrom)
            for alias in node.names
        }

    def said_of(self, function: ast.FunctionDef, name: str) -> tuple[list[ast.expr], list[ast.For]]:
        """Return what a function assigns to a name, and the loops that fill it."""
        if function not in self._said:
            made: dict[str, tuple[list[ast.expr], list[ast.For]]] = {}
            for node in ast.walk(function):
                for word, value in _assigned(node):
                    made.setdefault(word, ([], []))[0].append(value)
                if isinstance(node, ast.For):
                    for word in _targets(node.target):
                        made.setdefault(word, ([], []))[1].append(node)
            self._said[function] = made
        return self._said[function].get(name, ([], []))

    def around(self, node: ast.AST) -> Iterator[ast.AST]:
        """The functions and comprehensions around a node, the innermost first."""
        while node in self.parents:
            node = self.parents[node]
            yield node


def _assigned(statement: ast.AST) -> Iterator[tuple[str, ast.expr]]:
    if isinstance(statement, ast.Assign):
        for target in statement.targets:
            if isinstance(target, ast.Name):
                yield target.id, statement.value
            elif isinstance(target, ast.Tuple):
                yield from _unpacked(target, statement.value)
    elif isinstance(statement, (ast.AnnAssign, ast.AugAssign)) and isinstance(statement.target, ast.Name):
        if statement.value is not None:
            yield statement.target.id, statement.value
    elif isinstance(statement, ast.NamedExpr):
        yield statement.target.id, statement.value


def _unpacked(target: ast.Tuple, value: ast.expr) -> Iterator[tuple[str, ast.expr]]:
    branches = [value.body, value.orelse] if isinstance(value, ast.IfExp) else [value]
    for branch in branches:
        if isinstance(branch, ast.Tuple) and len(branch.elts) == len(target.elts):
            for name, part in zip(target.elts, branch.elts, strict=True):
                if isinstance(name, ast.Name):
                    yield name.id, part
        else:  # the n-th of what is returned; unsafe where that cannot be told
            for place, name in enumerate(target.elts):
                if isinstance(name, ast.Name):
                    yield name.id, ast.Subscript(branch, ast.Constant(place), ast.Load())


class Judge:
    """Decides whether an expression can hold nothing but the program's own text."""

    def __init__(self, module: Module) -> None:
        self.module = module
        self.busy: set[ast.AST] = set()

    def own(self, node: ast.AST) -> bool:
        """Whether the text of an expression is the program's own."""
        if node in self.busy:  # a loop adds own text to own text
            return True
        self.busy.add(node)
        try:
            return self._own(node)
        finally:
            self.busy.discard(node)

    def _own(self, node: ast.AST) -> bool:
        match node:
            case ast.Constant(value=str() | int()):
                return True
            case ast.JoinedStr(values=parts):
                return all(self.own(part) for part in parts)
            case ast.FormattedValue(value=inner):
                return self.own(inner)
            case ast.BinOp(left=left, right=right, op=ast.Add() | ast.Mult()):
                return self.own(left) and self.own(right)
            case ast.IfExp(body=first, orelse=second):
                return self.own(first) and self.own(second)
            case ast.Tuple(elts=parts) | ast.List(elts=parts) | ast.Set(elts=parts):
                return all(self.own(part.value if isinstance(part, ast.Starred) else part) for part in parts)
            case ast.Dict(values=parts):
                return all(self.own(part) for part in parts)
            case ast.DictComp(value=part):
                return self.own(part)
            case ast.GeneratorExp(elt=part) | ast.ListComp(elt=part) | ast.SetComp(elt=part):
                return self.own(part)
            case ast.Subscript(value=ast.Call(func=ast.Name(id=name)), slice=ast.Constant(value=int(place))):
                return self._answer(name, place)
            case ast.Subscript(value=whole):
                return self.own(whole)
            case ast.BoolOp(values=parts):
                return all(self.own(part) for part in parts)
            case ast.Name(id=name):
                return self._name(node, name)
            case ast.Attribute(value=ast.Name(id=owner), attr=member):
                return _member(*self.module.imported.get(owner, ("", "")), member)
            case ast.Call():
                return self._call(node)
        return False

    def _call(self, call: ast.Call) -> bool:
        match call.func:
            case ast.Name(id="len"):  # a number
                return True
            case ast.Name(id=name) if name == HELPER:
                return True
            case ast.Name(id="sorted" | "dict" | "list" | "tuple" | "frozenset"):
                return all(self.own(one) for one in call.args)
            case ast.Attribute(value=text, attr="join"):
                return self.own(text) and all(self.own(one) for one in call.args)
            case ast.Attribute(value=text, attr="strip" | "lower" | "upper"):
                return self.own(text)
            case ast.Attribute(value=table, attr="values" | "keys"):
                return self.own(table)
            case ast.Attribute(attr=name) | ast.Name(id=name):
                return self._answer(name)
        return False

    def _answer(self, name: str, place: int | None = None) -> bool:
        """Whether every function of this name in the file returns own text, at a place where it returns several."""
        found = [one for one in self.module.functions if one.name == name]
        answers = [node.value for one in found for node in ast.walk(one) if isinstance(node, ast.Return)]
        if place is not None:
            if not all(isinstance(one, ast.Tuple) and place < len(one.elts) for one in answers):
                return False
            answers = [one.elts[place] for one in answers if isinstance(one, ast.Tuple)]
        return bool(answers) and all(one is not None and self.own(one) for one in answers)

    def _name(self, node: ast.AST, name: str) -> bool:
        for place in self.module.around(node):
            if isinstance(place, (ast.GeneratorExp, ast.ListComp, ast.SetComp, ast.DictComp)):
                for loop in place.generators:
                    if name in _targets(loop.target):
                        return self._element(loop.iter, loop.target, name)
            if isinstance(place, ast.FunctionDef):
                given = [*place.args.posonlyargs, *place.args.args, *place.args.kwonlyargs]
                if name in {one.arg for one in given}:
                    return self._parameter(place, name)
                values, loops = self.module.said_of(place, name)
                if values or loops:
                    return all(self.own(value) for value in values) and all(
                        self._element(one.iter, one.target, name) for one in loops
                    )
        if name in self.module.constants:
            return all(self.own(value) for value in self.module.constants[name])
        if name in self.module.imported:
            return _constant_elsewhere(*self.module.imported[name])
        return False

    def _parameter(self, function: ast.FunctionDef, name: str) -> bool:
        """A private function's parameter is own where every call in the file gives own text for it."""
        if not function.name.startswith("_"):
            return False
        given = [one.arg for one in [*function.args.posonlyargs, *function.args.args]]
        calls = [
            call for call in ast.walk(self.module.tree) if isinstance(call, ast.Call) and called(call) == function.name
        ]
        handed_on = [
            node
            for node in ast.walk(self.module.tree)
            if isinstance(node, (ast.Name, ast.Attribute)) and last(node) == function.name
        ]
        if not calls or len(handed_on) != len(calls):  # it is handed on as a value: nobody can say what it gets
            return False
        start = 1 if given and given[0] in ("self", "cls") else 0
        for call in calls:
            place = given.index(name) - start if name in given else -1
            words = {one.arg: one.value for one in call.keywords}
            if name in words:
                if not self.own(words[name]):
                    return False
            elif 0 <= place < len(call.args):
                if not self.own(call.args[place]):
                    return False
            elif not _default(function, name, self):
                return False
        return True

    def _element(self, source: ast.expr, target: ast.expr, name: str) -> bool:
        """Whether what a loop takes out of something is own text."""
        match source:
            case ast.Call(func=ast.Attribute(value=table, attr="items")) if isinstance(target, ast.Tuple):
                first = isinstance(target.elts[0], ast.Name) and target.elts[0].id == name
                return self._keys(table) if first else self.own(table)
            case ast.Tuple(elts=rows) | ast.List(elts=rows) if isinstance(target, ast.Tuple):
                names = [one.id if isinstance(one, ast.Name) else "" for one in target.elts]
                place = names.index(name) if name in names else -1
                return all(isinstance(row, ast.Tuple) and self.own(row.elts[place]) for row in rows)
            case ast.Call(func=ast.Name(id="range")):
                return True
        if isinstance(source, ast.Name) and self._keys(source):
            return True
        if isinstance(source, ast.Name) and isinstance(target, ast.Tuple):
            names = [one.id if isinstance(one, ast.Name) else "" for one in target.elts]
            return name in names and self._pairs(source, names.index(name))
        return not isinstance(target, ast.Tuple) and self.own(source)

    def _pairs(self, source: ast.Name, place: int) -> bool:
        """Whether the parts at a place are own text in a list of tuples, or in those that a private function gets."""
        for around in self.module.around(source):
            if not isinstance(around, ast.FunctionDef):
                continue
            if around.args.vararg is not None and around.args.vararg.arg == source.id and around.name.startswith("_"):
                calls = [call for call in calls_of(self.module.path) if called(call) == around.name]
                given = [one for call in calls for one in call.args]
                return bool(given) and all(self._part(one, place) for one in given)
            values, loops = self.module.said_of(around, source.id)
            return (
                bool(values)
                and not loops
                and all(isinstance(one, ast.ListComp) and self._part(one.elt, place) for one in values)
            )
        return False

    def _part(self, pair: ast.expr, place: int) -> bool:
        return isinstance(pair, ast.Tuple) and place < len(pair.elts) and self.own(pair.elts[place])

    def _keys(self, table: ast.expr) -> bool:
        """Whether a table's keys are literals."""
        if isinstance(table, ast.Dict):
            return all(isinstance(key, ast.Constant) for key in table.keys)
        if isinstance(table, ast.Name):
            values = list(self.module.constants.get(table.id, []))
            for place in self.module.around(table):
                if isinstance(place, ast.FunctionDef):
                    values += self.module.said_of(place, table.id)[0]
            return bool(values) and all(isinstance(one, ast.Dict) and self._keys(one) for one in values)
        return False


def _default(function: ast.FunctionDef, name: str, judge: Judge) -> bool:
    words = [one.arg for one in function.args.args]
    pairs = dict(zip(reversed(words), reversed(function.args.defaults), strict=False))
    pairs |= {
        one.arg: value
        for one, value in zip(function.args.kwonlyargs, function.args.kw_defaults, strict=True)
        if value is not None
    }
    return name in pairs and judge.own(pairs[name])


def _targets(target: ast.expr) -> set[str]:
    return {one.id for one in ast.walk(target) if isinstance(one, ast.Name)}


def called(call: ast.Call) -> str:
    """Return the last word of what is called."""
    return last(call.func)


def last(node: ast.AST) -> str:
    """Return the last word of a dotted name."""
    return node.attr if isinstance(node, ast.Attribute) else node.id if isinstance(node, ast.Name) else ""


def _member(module: str, owner: str, member: str) -> bool:
    """Whether this is a member of an enumeration of ours, whose values are literals."""
    path = ROOT / (module.replace(".", "/") + ".py")
    if module.split(".")[0] not in PACKAGES or not path.exists():
        return False
    for one in ast.walk(tree_of(path)):
        if isinstance(one, ast.ClassDef) and one.name == owner:
            return any(
                name == member and isinstance(value, ast.Constant)
                for line in one.body
                for name, value in _assigned(line)
            )
    return False


def _constant_elsewhere(module: str, name: str) -> bool:
    if module.split(".")[0] not in PACKAGES or name != name.upper():
        return False
    path = ROOT / (module.replace(".", "/") + ".py")
    if not path.exists():
        return False
    other = module_of(path)
    return name in other.constants and all(Judge(other).own(value) for value in other.constants[name])
