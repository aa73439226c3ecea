"""Any program of this environment with the pure modules as C extensions, for long runs:

    .venv/bin/python -m esterward_sim.compiled esterward trials --runs 60000
    .venv/bin/python -m esterward_sim.compiled python tests/bench/rehearsal_speed.py

A copy of the sources goes to .compiled, mypyc turns its pure modules into C (about five minutes,
needs a C compiler), and the program runs with that copy first on its path. It is built anew
whenever a source has changed, and used only if three rehearsals on it were those of the plain
sources, number by number. It is for speed alone: the controller on a reactor, and the test
command, run the plain sources.
"""

from __future__ import annotations

import ast
import hashlib
import importlib.util
import json
import os
import shutil
import subprocess
import sys
from dataclasses import asdict
from pathlib import Path
from typing import Final, NoReturn

ROOT: Final = Path(__file__).resolve().parents[2]
BUILT: Final = ROOT / ".compiled"
SOURCES: Final = (ROOT / "firmware/esterward", ROOT / "sim/esterward_sim")
PURE: Final = (
    "esterward/values", "esterward/chemistry/boiling.py", "esterward/chemistry/kinetics.py",
    "esterward/process", "esterward/safety",
    "esterward/guard/rule.py", "esterward/tick.py", "esterward/status.py", "esterward/loop.py",
    "esterward_sim/plant", "esterward_sim/virtual.py", "esterward_sim/person.py",
    "esterward_sim/rehearsal.py", "esterward_sim/rig_faults.py",
    "esterward_sim/trials_oracles.py", "esterward_sim/trials_truth.py",
)
# Left as they are, because mypyc cannot read: a field made by a helper; packages.
PLAIN: Final = ("esterward/process/sequence.py", "__init__.py")
# Rehearsed on both before anything is believed of what was compiled.
STORIES: Final = ((), ("mixer_stalled@mix+600", "blackout@settle+600-900"),
                  ("probe_a_lost@heat+900-960", "blackout@heat+1800-2400"))
FUTURE: Final = "from __future__ import annotations\n"
IMPORT: Final = "from mypy_extensions import mypyc_attr\n"
# Both: with the first alone mypyc 2.4.1 never calls __init__.
MARK: Final = "@mypyc_attr(serializable=True, allow_interpreted_subclasses=True)"


def checksum() -> str:
    """Of all sources, this file among them, and the Python that reads them."""
    found = hashlib.sha256(sys.version.encode())
    for folder in SOURCES:
        for path in sorted(folder.rglob("*.py")):
            found.update(str(path.relative_to(ROOT)).encode() + path.read_bytes())
    return found.hexdigest()


def pure(folder: Path) -> list[str]:
    """The files to compile, from the folder above both packages."""
    found = []
    for name in PURE:
        at = folder / name
        found += sorted(at.glob("*.py")) if at.is_dir() else [at]
    return [str(path.relative_to(folder)) for path in found
            if not str(path).endswith(PLAIN)]


def for_mypyc(text: str) -> str:
    """The module as mypyc does best: its classes may be copied and pickled, and a dataclass has
    its __init__ written out (the one made at run time stays Python, a third of a rehearsal).

    Frozen is dropped there: that nobody assigns, mypy has found in the sources.
    """
    lines = text.splitlines()
    for node in reversed(ast.parse(text).body):
        if not isinstance(node, ast.ClassDef) or any(
                ast.unparse(base) in ("Protocol", "NamedTuple") for base in node.bases):
            continue
        first = node.lineno
        for mark in node.decorator_list:
            first = min(first, mark.lineno)
            if ast.unparse(mark).startswith("dataclass"):
                lines[mark.lineno - 1] = lines[mark.lineno - 1].replace(
                    "frozen=True, slots=True", "unsafe_hash=True, init=False").replace(
                    "(slots=True)", "(init=False)")
                lines[node.end_lineno:node.end_lineno] = _init(node)
        lines.insert(first - 1, MARK)
    return "\n".join(lines).replace(FUTURE, FUTURE + IMPORT, 1) + "\n"


def _init(node: ast.ClassDef) -> list[str]:
    """The lines of a dataclass's __init__, and after it its annotations."""
    takes, does, kinds = [], [], []
    for field in node.body:
        if isinstance(field, ast.FunctionDef) and field.name == "__post_init__":
            does.append("self.__post_init__()")
        if not isinstance(field, ast.AnnAssign):
            continue
        name, kind = ast.unparse(field.target), ast.unparse(field.annotation)
        value = "" if field.value is None else ast.unparse(field.value)
        kinds.append(f"{name}={kind!r}")
        if value == "field(init=False)":
            continue
        if value.startswith("field(default_factory="):
            made = value.removeprefix("field(default_factory=").removesuffix(")")
            takes.append(f"{name}: {kind} | None = None")
            does.append(f"self.{name} = ({made})() if {name} is None else {name}")
            continue
        takes.append(f"{name}: {kind}" + (f" = {value}" if value else ""))
        does.append(f"self.{name} = {name}")
    return ["", f"    def __init__(self, {', '.join(takes)}) -> None:",
            *(f"        {line}" for line in does),
            # mypyc keeps "type" for what it has no word for; a checkpoint is read by these
            f"getattr({node.name}, '__annotations__').update({', '.join(kinds)})"]


def copy_sources(folder: Path) -> list[str]:
    """Both packages into the folder, ready for mypyc; the names of the files to compile."""
    for source in SOURCES:
        shutil.copytree(source, folder / source.name,
                        ignore=shutil.ignore_patterns("__pycache__"))
    names = pure(folder)
    for name in names:
        path = folder / name
        path.write_text(for_mypyc(path.read_text("utf-8")), encoding="utf-8")
    return names


def build(folder: Path) -> None:
    """Copy the sources into the folder, which is not there yet, and compile them in place."""
    from mypyc.build import mypycify  # not needed to run what is built
    from setuptools import setup

    names = copy_sources(folder)
    os.chdir(folder)
    Path("mypy.ini").write_text("[mypy]\nignore_missing_imports = True\n", "utf-8")
    setup(name="esterward-compiled", packages=[], script_args=["-q", "build_ext", "--inplace"],
          ext_modules=mypycify(["--config-file=mypy.ini", *names], opt_level="2",
                               debug_level="0"))


def signature(hours: float = 48.0, until: str = "") -> str:
    """A checksum of three rehearsals, each to its end or so many hours: every event, and once a
    simulated minute the controller's whole state, its outputs and the true oil; and of what the
    invariants of the trials find in a batch without a fault, to its end or the step until."""
    from esterward.settings.files import load_pair
    from esterward_sim.orders import Moment, parse_orders
    from esterward_sim.rehearsal import Rehearsal
    from esterward_sim.trials_run import fault_free
    from esterward_sim.virtual import NoRecord

    config = ROOT / "firmware/config"
    batch, reactor = load_pair(config / "batch.toml", config / "reactor.toml")
    assert reactor is not None  # it was given
    found = hashlib.sha256()

    def take(run: Rehearsal) -> None:
        if run.rig.clock.time_s % 60.0 == 0.0:
            rig = run.rig
            found.update(json.dumps([rig.controller.to_plain(), rig.plant.oil_c,
                                     asdict(rig.relays.outputs)]).encode())

    for texts in STORIES:
        orders, wrong = parse_orders(texts)
        assert not wrong, wrong
        run = Rehearsal(reactor, batch, NoRecord(), faults=orders, until=Moment(hours * 3600.0))
        result = run.run(take)
        found.update(json.dumps([asdict(event) for event in result.events]).encode())
    watched = fault_free(0, 1, keep=False, until=until)
    found.update(json.dumps([watched.steps, watched.watch.worst, watched.watch.broken]).encode())
    return found.hexdigest()


def _python(code: str, **environment: str) -> str:
    """What a Python of its own prints; RuntimeError with what it complained of."""
    done = subprocess.run([sys.executable, "-c", code], cwd=ROOT, text=True, capture_output=True,
                          check=False, env={**os.environ, **environment})
    if done.returncode:
        raise RuntimeError(done.stdout[-2000:] + done.stderr[-2000:])
    return done.stdout.strip()


def ready() -> str:
    """Build and compare if need be; why it cannot be used, or nothing."""
    mark, now = BUILT / "checksum", checksum()
    if mark.exists() and mark.read_text("utf-8") == now:
        return ""
    if importlib.util.find_spec("mypyc") is None:
        return "mypy is missing; install it with: .venv/bin/pip install -e .[test]"
    compiler = os.environ.get("CC", "cc")
    if shutil.which(compiler) is None:
        return (f"there is no C compiler {compiler!r}; install one (apt install gcc), or run the "
                f"command without it: all it does is save time")
    shutil.rmtree(BUILT, ignore_errors=True)
    print("compiling the pure modules, about five minutes ...", file=sys.stderr, flush=True)
    here = "from esterward_sim import compiled; "
    try:
        _python(f"{here}compiled.build(compiled.BUILT)")
        print("comparing three rehearsals with the plain sources ...", file=sys.stderr, flush=True)
        ask = f"{here}print(compiled.signature())"
        plain, fast = _python(ask, PYTHONPATH=""), _python(ask, PYTHONPATH=str(BUILT))
    except RuntimeError as error:
        return f"it could not be built:\n{error}"
    if plain != fast:
        return "what was compiled rehearses differently from the plain sources; nothing was run"
    mark.write_text(now, encoding="utf-8")
    return ""


def _refuse(why: str) -> NoReturn:
    print(f"esterward_sim.compiled: {why}.", file=sys.stderr)
    sys.exit(2)


def main() -> NoReturn:
    """Make it ready and become the program."""
    program = Path(sys.executable).parent / sys.argv[1] if len(sys.argv) > 1 else None
    if program is None or not program.exists():
        _refuse("name a program of this environment and its arguments, for example: "
                "esterward trials --runs 60000")
    why = ready()
    if why:
        _refuse(why)
    sys.stderr.flush()
    os.execve(program, [str(program), *sys.argv[2:]], {**os.environ, "PYTHONPATH": str(BUILT)})


if __name__ == "__main__":
    main()
