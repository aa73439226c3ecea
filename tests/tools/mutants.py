"""A mutation run: small defects, one at a time, in one file of the firmware; who survives?

    .venv/bin/python tests/tools/mutants.py guard/rule.py tests/guard/test_rule_cycle.py
    .venv/bin/python tests/tools/mutants.py process/sequence.py \\
        tests/process/test_sequence_closed.py tests/process/test_stage_table.py

Comparisons are turned or shifted, "and" and "or" exchanged, "not" dropped, True and False
exchanged, numbers changed, statements and rows of tables left out. Each mutant runs the named
tests in a forked child, into whose module the changed code is put, so that it costs no new start;
a test that needs no fixture is called as it is, and pytest runs the files that have others.
The file on disk is not touched. A survivor is either a missing test or a change that changes
nothing: write the test, or the reason into docs/explanation/safety-case.md. Exit code 1 with
survivors.
"""

from __future__ import annotations

import argparse
import ast
import copy
import functools
import importlib
import importlib.util
import inspect
import io
import os
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import redirect_stderr, redirect_stdout
from pathlib import Path

import pytest

TOP = Path(__file__).parents[2]
SOURCE = TOP / "firmware" / "esterward"
LONGEST_S = 120.0
TURNED = {ast.Lt: ast.LtE, ast.LtE: ast.Lt, ast.Gt: ast.GtE, ast.GtE: ast.Gt, ast.Eq: ast.NotEq,
          ast.NotEq: ast.Eq, ast.Is: ast.IsNot, ast.IsNot: ast.Is, ast.In: ast.NotIn,
          ast.NotIn: ast.In, ast.Add: ast.Sub, ast.Sub: ast.Add, ast.And: ast.Or, ast.Or: ast.And}


def changes(node: ast.AST) -> Iterator[tuple[str, ast.AST]]:
    """Each way to spoil one node, with words for it."""
    if isinstance(node, ast.Compare):
        for index, op in enumerate(node.ops):
            other = copy.deepcopy(node)
            other.ops[index] = TURNED[type(op)]()
            yield f"{type(op).__name__} -> {TURNED[type(op)].__name__}", other
    elif isinstance(node, (ast.BoolOp, ast.BinOp)) and type(node.op) in TURNED:
        other = copy.deepcopy(node)
        other.op = TURNED[type(node.op)]()
        yield f"{type(node.op).__name__} -> {TURNED[type(node.op)].__name__}", other
    elif isinstance(node, ast.UnaryOp) and isinstance(node.op, ast.Not):
        yield "not dropped", node.operand
    elif isinstance(node, ast.Constant):
        if isinstance(node.value, bool):
            yield f"{node.value} -> {not node.value}", ast.Constant(not node.value)
        elif isinstance(node.value, (int, float)):
            yield f"{node.value} -> {node.value * 2 + 1}", ast.Constant(node.value * 2 + 1)
    elif isinstance(node, ast.Tuple) and node.elts and all(
            isinstance(part, (ast.Tuple, ast.Call)) for part in node.elts):
        for index, part in enumerate(node.elts):  # a row of a table left out
            other = copy.deepcopy(node)
            del other.elts[index]
            yield "row left out: " + ast.unparse(part)[:60], other
    elif isinstance(node, (ast.Assign, ast.AugAssign)) or (
            isinstance(node, ast.Expr) and isinstance(node.value, ast.Call)):
        yield "left out: " + ast.unparse(node)[:60], ast.Pass()


class Spoiler(ast.NodeTransformer):
    """Counts the changes and makes the one that is wanted."""

    def __init__(self, wanted: int) -> None:
        self.wanted, self.count = wanted, 0
        self.what = ""

    def visit(self, node: ast.AST) -> ast.AST:
        for what, other in changes(node):
            if self.count == self.wanted and not self.what:
                self.what = f"line {getattr(node, 'lineno', 0)}: {what}"
                self.count += 1
                return ast.copy_location(other, node)
            self.count += 1
        if isinstance(node, ast.AnnAssign):  # an annotation is not code that runs
            if node.value is not None:
                node.value = self.visit(node.value)  # type: ignore[assignment]
            return node
        return self.generic_visit(node)


def plain_calls(path: str) -> Iterator[Callable[[], object] | None]:
    """The tests of a file, one call for each row; None for one that needs pytest's fixtures."""
    spec = importlib.util.spec_from_file_location("called_" + Path(path).stem, path)
    assert spec is not None and spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    sys.modules[spec.name] = module  # a dataclass looks there for what its annotations mean
    spec.loader.exec_module(module)
    for name, test in vars(module).items():
        if not name.startswith("test_"):
            continue
        rows: list[dict[str, object]] = [{}]
        for mark in getattr(test, "pytestmark", ()):
            if mark.name == "parametrize":
                names = mark.args[0]
                names = names.replace(" ", "").split(",") if isinstance(names, str) else names
                found = [value if len(names) > 1 else (value,) for value in mark.args[1]]
                rows = [row | dict(zip(names, values, strict=True))
                        for row in rows for values in found]
        needs = set(inspect.signature(test).parameters) - set(rows[0])
        if needs - {"monkeypatch"}:
            yield None
            continue
        yield from (functools.partial(_called, test, row, bool(needs)) for row in rows)


def _called(test: Callable[..., object], row: dict[str, object], patches: bool) -> None:
    if not patches:
        test(**row)
        return
    with pytest.MonkeyPatch.context() as patch:
        test(**row, monkeypatch=patch)


def pass_all(tests: list[str]) -> bool:
    """Whether these files pass; pytest runs only what cannot simply be called."""
    by_pytest = []
    for path in tests:
        calls = list(plain_calls(path))
        by_pytest += [path] if None in calls else []
        for call in calls:
            if call is not None:
                call()
    return not by_pytest or pytest.main(["-q", "-x", "-p", "no:cacheprovider", *by_pytest]) == 0


def warm_up(tests: list[str]) -> None:
    """Load the libraries of the tests once, for every child; of the project nothing."""
    before = set(sys.modules)
    if any(None in list(plain_calls(path)) for path in tests):
        pytest.main(["-q", "--collect-only", "-p", "no:cacheprovider", *tests])
    for name in set(sys.modules) - before:
        place = getattr(sys.modules[name], "__file__", None) or ""
        if name.startswith("esterward") or place.startswith(str(TOP / "tests")):
            del sys.modules[name]


def survives(source: str, wanted: int, module: str, tests: list[str]) -> tuple[bool | None, str]:
    """Whether the tests pass with this mutant; None when there is no such mutant. -1: unspoilt."""
    tree = ast.parse(source)
    spoiler = Spoiler(wanted)
    tree = ast.fix_missing_locations(spoiler.visit(tree))
    if not spoiler.what and wanted >= 0:
        return None, ""
    child = os.fork()
    if child == 0:
        os.setsid()
        code = 1
        try:
            target = importlib.import_module(module)
            for name in [name for name in target.__dict__ if not name.startswith("__")]:
                del target.__dict__[name]  # what a mutant leaves out is not there
            with redirect_stdout(io.StringIO()), redirect_stderr(io.StringIO()):
                exec(compile(tree, target.__file__ or module, "exec"), target.__dict__)
                code = 0 if pass_all(tests) else 1
        except BaseException:  # a mutant that cannot even be loaded is caught
            code = 1
        os._exit(code)
    began_s = time.monotonic()
    while time.monotonic() - began_s < LONGEST_S:
        done, status = os.waitpid(child, os.WNOHANG)
        if done:
            return os.waitstatus_to_exitcode(status) == 0, spoiler.what
        time.sleep(0.02)
    os.kill(child, 9)  # it hangs: caught
    os.waitpid(child, 0)
    return False, spoiler.what


def main() -> int:
    parser = argparse.ArgumentParser(description="Mutants of one file against named tests.")
    parser.add_argument("file", help="below firmware/esterward, for example guard/rule.py")
    parser.add_argument("tests", nargs="+")
    parser.add_argument("--every", type=int, default=1, help="only each n-th mutant")
    parser.add_argument("--only", help="only the mutants of these numbers: 57,62")
    options = parser.parse_args()
    path = SOURCE / options.file
    source = path.read_text(encoding="utf-8")
    module = "esterward." + options.file.removesuffix(".py").replace("/", ".")
    sys.path.insert(0, str(TOP / "tests"))
    with redirect_stdout(io.StringIO()), redirect_stderr(io.StringIO()):
        warm_up(options.tests)
    importlib.import_module(module)
    if not survives(source, -1, module, options.tests)[0]:
        print("The tests fail without any mutant: mend that first.", file=sys.stderr)
        return 2
    tried, alive = 0, []
    numbers = [int(number) for number in options.only.split(",")] if options.only else range(
        0, 100_000, options.every)
    for number in numbers:
        passed, what = survives(source, number, module, options.tests)
        if passed is None:
            break
        tried += 1
        if passed:
            alive.append(what)
            print(f"SURVIVES {number:4} {what}", flush=True)
    print(f"{options.file}: {tried} mutants, {len(alive)} survive.")
    return 1 if alive else 0


if __name__ == "__main__":
    sys.exit(main())
