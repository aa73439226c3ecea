"""A mutation run: small defects, one at a time, in one file of the firmware; who survives?

    .venv/bin/python tests/tools/mutants.py guard/rule.py tests/guard/test_rule.py
    .venv/bin/python tests/tools/mutants.py process/sequence.py \\
        tests/process/test_sequence_closed.py tests/process/test_stage_table.py

Comparisons are turned or shifted, "and" and "or" exchanged, "not" dropped, True and False
exchanged, numbers changed, statements and rows of tables left out. Each mutant runs the named
tests in a forked child, into whose module the changed code is put, so that it costs no new start.
The file on disk is not touched. A survivor is either a missing test or a change that changes
nothing: write the test, or the reason into docs/explanation/safety-case.md. Exit code 1 with
survivors.
"""

from __future__ import annotations

import argparse
import ast
import copy
import importlib
import io
import os
import sys
import time
from collections.abc import Iterator
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


def warm_up(tests: list[str]) -> None:
    """Load pytest, its plugins and the libraries once, for every child; of the project nothing."""
    before = set(sys.modules)
    with redirect_stdout(io.StringIO()), redirect_stderr(io.StringIO()):
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
                code = int(pytest.main(["-q", "-x", "-p", "no:cacheprovider", *tests]))
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
    options = parser.parse_args()
    path = SOURCE / options.file
    source = path.read_text(encoding="utf-8")
    module = "esterward." + options.file.removesuffix(".py").replace("/", ".")
    sys.path.insert(0, str(TOP / "tests"))
    warm_up(options.tests)
    importlib.import_module(module)
    if not survives(source, -1, module, options.tests)[0]:
        print("The tests fail without any mutant: mend that first.", file=sys.stderr)
        return 2
    tried, alive = 0, []
    for number in range(0, 100_000, options.every):
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
