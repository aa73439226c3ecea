"""Imports point one way, pure packages know no clock and no I/O (design.md, section 5)."""

from __future__ import annotations

import ast
import os
import shutil
import subprocess
import sys
import sysconfig
from pathlib import Path

import pytest

FIRMWARE = Path(__file__).parents[2] / "firmware"
STDLIB = sys.stdlib_module_names
IMPURE = {"time", "threading", "asyncio", "os", "socket", "subprocess", "logging", "random"}
PURE = ("values", "chemistry", "process", "safety", "guard.rule", "state", "tick", "status")
# Who may import what of esterward, beside itself. cli may import everything.
MAY = {
    "values": (),
    "chemistry": ("values",),
    "process": ("values", "chemistry"),
    "safety": ("values", "chemistry"),
    "guard.rule": ("values", "chemistry"),
    "guard": ("values", "chemistry.boiling", "hardware", "guard"),
    "state": ("values", "process", "safety"),
    "tick": ("values", "chemistry", "process", "safety", "state"),
    "status": ("values", "chemistry", "process", "safety", "tick"),
    "loop": ("values", "tick", "status"),
    "settings": ("values", "chemistry", "safety.limits"),
    "hardware": ("values",),
    "record": ("values",),
    "telemetry": ("values",),
    "page": ("telemetry",),
}
LIBRARIES = {
    "pint": "settings", "pydantic": "settings", "pydantic_core": "settings",
    "gpiozero": "hardware", "w1thermsensor": "hardware", "lgpio": "hardware",
    "paho": "telemetry",
}
STANDARD_ONLY = ("values", "chemistry", "process", "safety", "guard", "state", "tick",
                 "status", "loop")


def modules() -> list[tuple[str, Path]]:
    """Every module as ("guard.rule", its file); a package as ("guard", its __init__)."""
    found = []
    for path in sorted((FIRMWARE / "esterward").rglob("*.py")):
        parts = path.relative_to(FIRMWARE / "esterward").with_suffix("").parts
        found.append((".".join(p for p in parts if p != "__init__"), path))
    return [(name, path) for name, path in found if name]


def imports(text: str) -> list[str]:
    """Every name imported anywhere in the text, "from a import b" as a.b."""
    names = []
    for node in ast.walk(ast.parse(text)):
        if isinstance(node, ast.Import):
            names += [alias.name for alias in node.names]
        elif isinstance(node, ast.ImportFrom):
            home = "." * node.level + (node.module or "")
            names += [f"{home}.{alias.name}" for alias in node.names]
    return names


def within(name: str, package: str) -> bool:
    return name == package or name.startswith(package + ".")


def row(module: str) -> str:
    """The longest row of MAY this module falls under; cli has none."""
    return max((key for key in MAY if within(module, key)), key=len, default="")


def complaints(module: str, text: str) -> list[str]:
    """What this module must not import."""
    found, own = [], row(module)
    for name in imports(text):
        top, _, rest = name.partition(".")
        if top == "":
            found.append(f"{module}: relative import {name}")
        if top == "esterward_sim":
            found.append(f"{module} imports the simulator")
        if top in LIBRARIES and not within(module, LIBRARIES[top]):
            found.append(f"{module} imports {top}, which only {LIBRARIES[top]} may")
        if any(within(module, pure) for pure in PURE) and top in IMPURE:
            found.append(f"{module} is pure and imports {top}")
        if any(within(module, p) for p in STANDARD_ONLY) and top not in (*STDLIB, "esterward"):
            found.append(f"{module} imports {top}: standard library only")
        if top == "esterward" and own and rest != "__version__" and not any(
            within(rest, allowed) for allowed in (own, *MAY[own])
        ):
            found.append(f"{module} imports {name}, against the arrows of design.md")
        if own == "" and not within(module, "cli"):
            found.append(f"{module} has no row here: give it one")
    return found


@pytest.mark.parametrize(("module", "path"), modules(), ids=[name for name, _ in modules()])
def test_module_imports_only_what_its_row_allows(module: str, path: Path) -> None:
    assert complaints(module, path.read_text("utf-8")) == []


@pytest.mark.parametrize(("module", "line"), [
    ("safety.gate", "import time"),
    ("values.x", "from os import path"),
    ("process.x", "from esterward.safety import limits"),
    ("safety.x", "from esterward.process import stages"),
    ("guard.rule", "from esterward.safety import limits"),
    ("guard.process", "from esterward.chemistry import titration"),
    ("guard.process", "import esterward.record"),
    ("guard.process", "import click"),
    ("settings.x", "from esterward.safety import gate"),
    ("telemetry.x", "def f():\n    import pint"),
    ("cli.x", "import gpiozero"),
    ("cli.x", "import esterward_sim.rehearse"),
    ("loop", "from esterward.hardware import relays"),
    ("page.x", "from esterward.values import status"),
    ("record.x", "from esterward import telemetry"),
    ("hardware.x", "from . import pins"),
])
def test_this_test_notices_a_forbidden_import(module: str, line: str) -> None:
    assert complaints(module, line)


def test_hardware_init_imports_nothing() -> None:
    assert imports((FIRMWARE / "esterward/hardware/__init__.py").read_text("utf-8")) == []


def test_firmware_imports_and_shows_help_with_the_simulator_removed(tmp_path: Path) -> None:
    """A copy of firmware/ alone; -S keeps the editable install of this clone out of it."""
    shutil.copytree(FIRMWARE, tmp_path / "firmware",
                    ignore=shutil.ignore_patterns("__pycache__"))
    path = os.pathsep.join([str(tmp_path / "firmware"), sysconfig.get_path("purelib")])

    def esterward(*args: str, code: str = "from esterward.cli import main; main()"
                  ) -> subprocess.CompletedProcess[str]:
        return subprocess.run([sys.executable, "-S", "-c", code, *args], cwd=tmp_path,
                              env={"PATH": os.environ["PATH"], "PYTHONPATH": path},
                              capture_output=True, text=True, timeout=60, check=False)

    where = esterward(code="import esterward; print(esterward.__file__)").stdout
    assert where.startswith(str(tmp_path))
    pure = [name for name, _ in modules() if any(within(name, p) for p in PURE)]
    everything = esterward(code="".join(f"import esterward.{name}\n" for name in pure))
    assert everything.stderr == ""
    assert esterward(code="import esterward_sim").returncode == 1
    alone = esterward("--help")
    with_simulator = subprocess.run(
        [sys.executable, "-c", "from esterward.cli import main; main()", "--help"],
        capture_output=True, text=True, timeout=60, check=False)
    assert alone.returncode == 0 and "rehearse" in alone.stdout
    assert alone.stdout == with_simulator.stdout
    refused = esterward("rehearse")
    assert refused.returncode == 2
    assert refused.stderr.count("\n") == 1
    assert "the simulator is not installed" in refused.stderr
