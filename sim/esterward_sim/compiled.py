"""A program of this environment on C extensions made of its own sources, for long runs:

    .venv/bin/python -m esterward_sim.compiled esterward trials --runs 60000
    .venv/bin/python -m esterward_sim.compiled python tests/bench/rehearsal_speed.py

A copy of the sources goes to .compiled/CHECKSUM, mypyc turns what a rehearsal does most into C
(five to ten minutes, needs a C compiler), and the program runs with that copy first on its path.
Other sources are another checksum and another copy. A copy gets its place only after the
rehearsals of STORIES on it were those of the plain sources, number by number. It is for speed
alone: the controller on a reactor, and the test command, run the plain sources.
"""

from __future__ import annotations

import ast
import hashlib
import importlib.metadata
import importlib.util
import json
import os
import shutil
import sqlite3
import subprocess
import sys
import sysconfig
import tempfile
from collections.abc import Iterable
from contextlib import closing
from dataclasses import asdict
from pathlib import Path
from typing import Final, NoReturn

ROOT: Final = Path(__file__).resolve().parents[2]
BUILT: Final = ROOT / ".compiled"
# The last is what a rehearsal takes from beside its package.
SOURCES: Final = ("firmware/esterward", "sim/esterward_sim", "firmware/config")
MADE_C: Final = (
    "esterward/values", "esterward/chemistry/boiling.py", "esterward/chemistry/kinetics.py",
    "esterward/chemistry/ranges.py", "esterward/record/journal.py", "esterward/record/rows.py",
    "esterward/record/trace.py",
    "esterward/process", "esterward/safety", "esterward/guard/rule.py",
    "esterward/state.py", "esterward/tick.py", "esterward/status.py", "esterward/loop.py",
    "esterward_sim/plant", "esterward_sim/virtual.py", "esterward_sim/person.py",
    "esterward_sim/rehearsal.py", "esterward_sim/rig_faults.py", "esterward_sim/pace.py",
    "esterward_sim/trials_oracles.py", "esterward_sim/trials_truth.py",
    "esterward_sim/trials_doses.py",
    "esterward_sim/trials_run.py",
)
# Refused here: a reactor runs the plain sources.
NEVER: Final = ("run", "guard")
# Fault orders and the hours rehearsed; beside them every fault of the table, alone, early.
STORIES: Final = (
    ((), 48.0),
    (("mixer_stalled@mix+600", "blackout@settle+600-900"), 48.0),
    (("probe_a_lost@dewater+900-960", "blackout@dewater+1800-2400"), 48.0),
)
EARLY_S: Final = 1000
EARLY_H: Final = 0.5
FUTURE: Final = "from __future__ import annotations\n"
IMPORT: Final = "from mypy_extensions import mypyc_attr\n"
# Both: with the first alone mypyc 2.4.1 never calls __init__.
MARK: Final = "@mypyc_attr(serializable=True, allow_interpreted_subclasses=True)"
DATACLASSES: Final = {
    "dataclass(frozen=True, slots=True)": "dataclass(unsafe_hash=True, init=False)",
    "dataclass(slots=True)": "dataclass(init=False)",
}
FACTORY: Final = ["default_factory"]


def checksum(root: Path) -> str:
    """Of all sources below root, this file among them, and of what makes C of them."""
    made_by = [sys.version, sysconfig.get_platform(), os.environ.get("CC", ""),
               os.environ.get("CFLAGS", "")]
    if importlib.util.find_spec("mypyc") is not None:
        made_by.append(importlib.metadata.version("mypy"))
    found = hashlib.sha256(repr(made_by).encode())
    for source in SOURCES:
        for path in sorted((root / source).rglob("*.*")):
            if path.suffix in (".py", ".toml"):
                found.update(str(path.relative_to(root)).encode() + path.read_bytes())
    return found.hexdigest()[:16]


def made_c(folder: Path) -> list[str]:
    """The files to compile, from the folder above both packages."""
    found = []
    for name in MADE_C:
        at = folder / name
        found += sorted(at.glob("*.py")) if at.is_dir() else [at]
    return [str(path.relative_to(folder)) for path in found
            if path.name != "__init__.py"]


def for_mypyc(text: str) -> str:
    """The module as mypyc does best: its classes may be copied and pickled, and a dataclass has
    its __init__ written out (the one made at run time would stay Python).

    Frozen is dropped there: that nobody assigns, mypy has found in the sources. ValueError on a
    dataclass of another spelling than DATACLASSES.
    """
    lines = text.splitlines()
    for node in reversed(ast.parse(text).body):
        if not isinstance(node, ast.ClassDef) or any(
                ast.unparse(base) in ("Protocol", "NamedTuple") for base in node.bases):
            continue
        for mark in node.decorator_list:
            spelled = ast.unparse(mark)
            if spelled not in DATACLASSES:
                raise ValueError(f"class {node.name}: @{spelled} is not known here")
            if node.bases:
                raise ValueError(f"class {node.name}: a dataclass with a base is not known here")
            lines[mark.lineno - 1] = f"@{DATACLASSES[spelled]}"
            lines[node.end_lineno:node.end_lineno] = _init(node)
        lines.insert(min([node.lineno, *(mark.lineno for mark in node.decorator_list)]) - 1, MARK)
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
        if isinstance(field.value, ast.Call) and [k.arg for k in field.value.keywords] == FACTORY:
            made = ast.unparse(field.value.keywords[0].value)
            takes.append(f"{name}: {kind} | None = None")
            does.append(f"self.{name} = ({made})() if {name} is None else {name}")
            continue
        if value.startswith("field(") or "ClassVar" in kind:
            raise ValueError(f"class {node.name}: {name} = {value} is not known here")
        takes.append(f"{name}: {kind}" + (f" = {value}" if value else ""))
        does.append(f"self.{name} = {name}")
    return ["", f"    def __init__(self, {', '.join(takes)}) -> None:",
            *(f"        {line}" for line in does),
            # mypyc keeps "type" for what it has no word for; a checkpoint is read by these
            f"getattr({node.name}, '__annotations__').update({', '.join(kinds)})"]


def copy_sources(folder: Path) -> list[str]:
    """Sources into the folder, ready for mypyc; the names of the files to compile."""
    for source in SOURCES:
        shutil.copytree(ROOT / source, folder / Path(source).name,
                        ignore=shutil.ignore_patterns("__pycache__"))
    names = made_c(folder)
    for name in names:
        path = folder / name
        path.write_text(for_mypyc(path.read_text("utf-8")), encoding="utf-8")
    return names


def compile_c(folder: str, names: list[str]) -> None:
    """Compile the named files of the folder in place."""
    from mypyc.build import mypycify  # not needed to run what is built
    from setuptools import setup

    os.chdir(folder)
    Path("mypy.ini").write_text("[mypy]\nignore_missing_imports = True\n", "utf-8")
    setup(name="esterward-compiled", packages=[], script_args=["-q", "build_ext", "--inplace"],
          ext_modules=mypycify(["--config-file=mypy.ini", *names], opt_level="2",
                               debug_level="0"))


def rehearsed(texts: Iterable[str], hours: float) -> str:
    """A checksum of one rehearsal with these fault orders, to its end or so many hours: every
    event, once a minute the controller's whole state, its outputs and the true oil, and every
    row of the record."""
    from esterward.record.journal import Journal
    from esterward.record.rows import HASHED, head
    from esterward.settings.files import load_pair
    from esterward_sim.orders import Moment, parse_orders
    from esterward_sim.rehearsal import Rehearsal
    from esterward_sim.rehearse import example_reactor

    example = example_reactor()
    batch, reactor = load_pair(example.with_name("batch.toml"), example)
    assert reactor is not None  # it was given
    found = hashlib.sha256()

    def take(run: Rehearsal) -> None:
        if run.rig.clock.time_s % 60.0 == 0.0:
            found.update(json.dumps([run.rig.controller.to_plain(), run.rig.plant.oil_c,
                                     asdict(run.rig.relays.outputs)]).encode())

    orders, wrong = parse_orders(texts)
    assert not wrong, wrong
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder, "record.sqlite")
        journal = Journal(path, boot="b", now_s=0.0, wall_s=0.0, durable=False)
        run = Rehearsal(reactor, batch, journal, faults=orders, until=Moment(hours * 3600.0))
        result = run.run(take)
        found.update(json.dumps([asdict(event) for event in result.events]).encode())
        journal.close(run.rig.clock.time_s)
        with closing(sqlite3.connect(path)) as rows:  # the last hash is one of all rows before
            found.update(repr([head(rows, table) for table in HASHED]).encode())
    return found.hexdigest()


def judged(until: str = "", tries: int = 10) -> str:
    """A checksum of what the invariants of the trials find in a batch without a fault, to its end
    or to the start of the step until, and in so many trials of it."""
    from esterward_sim.trials_run import attempt, fault_free, trials_of

    batch = fault_free(0, 1, until=until)
    tried = [asdict(attempt(trial, batch=batch)) for trial in trials_of(range(tries), 1, (0,))]
    found = [batch.steps, batch.watch.worst, batch.watch.broken, tried]
    return hashlib.sha256(json.dumps(found).encode()).hexdigest()


def everything() -> None:
    """Print whether C runs here, and a line for each rehearsal."""
    from esterward import tick
    from esterward_sim.plant.faults import ROWS

    print("plain" if str(tick.__file__).endswith(".py") else "compiled")
    for texts, hours in (*STORIES, *(((f"{name}@{EARLY_S}",), EARLY_H) for name in ROWS)):
        print(*texts, rehearsed(texts, hours))
    print("judged", judged())


def _python(code: str, path: str) -> list[str]:
    """The lines a Python of its own prints; RuntimeError with what it complained of."""
    done = subprocess.run(
        [sys.executable, "-c", f"from esterward_sim import compiled; compiled.{code}"], cwd=ROOT,
        text=True, capture_output=True, check=False, env={**os.environ, "PYTHONPATH": path})
    if done.returncode:
        raise RuntimeError("\n".join((done.stdout + done.stderr).splitlines()[-15:]))
    return done.stdout.splitlines()


def missing() -> str:
    """What is not here that a build needs, and what to do; or nothing."""
    compiler = (os.environ.get("CC") or "cc").split()
    if not all((ROOT / source).is_dir() for source in SOURCES):
        return "it needs a clone of the sources; this environment was installed without one"
    for name in ("mypyc", "setuptools"):
        if importlib.util.find_spec(name) is None:
            return f"{name} is missing; install it with: .venv/bin/pip install -e \".[test]\""
    if not compiler or shutil.which(compiler[0]) is None:
        return (f"there is no C compiler {' '.join(compiler)!r}; install one (apt install gcc), "
                "or run the command without this: all it does is save time")
    if not Path(sysconfig.get_paths()["include"], "Python.h").is_file():
        return "the header Python.h is missing; install it (apt install python3-dev)"
    return ""


def _tell(text: str) -> None:
    print(f"esterward_sim.compiled: {text}.", file=sys.stderr, flush=True)


def ready() -> Path:
    """The folder to put first on the path, built and compared if need be; RuntimeError if not."""
    place = BUILT / checksum(ROOT)
    if place.is_dir():
        return place
    why = missing()
    if why:
        raise RuntimeError(why)
    BUILT.mkdir(exist_ok=True)
    _tell("compiling, five minutes or more")
    with tempfile.TemporaryDirectory(dir=BUILT, ignore_cleanup_errors=True) as made:
        folder = Path(made, "built")
        names = copy_sources(folder)
        _python(f"compile_c({str(folder)!r}, {names!r})", "")
        _tell("comparing rehearsals with the plain sources, about three minutes")
        plain, fast = _python("everything()", ""), _python("everything()", str(folder))
        if (plain[0], fast[0]) != ("plain", "compiled"):
            raise RuntimeError(f"C was to be compared with plain Python, not {fast[0]} with "
                               f"{plain[0]}; nothing was run")
        differ = [one for one, other in zip(plain[1:], fast[1:], strict=True) if one != other]
        if differ:
            raise RuntimeError(f"compiled it rehearses differently: {differ[0]}; nothing was run")
        if BUILT / checksum(ROOT) != place:
            raise RuntimeError("a source was changed meanwhile; start again")
        if not place.is_dir():  # somebody else was quicker
            folder.rename(place)
    return place


def main() -> NoReturn:
    """Make it ready and become the program."""
    asked = sys.argv[1:]
    here = {path.name: path for path in Path(sys.executable).parent.iterdir()}
    if not asked or asked[0] not in here or not os.access(here[asked[0]], os.X_OK):
        _tell("name a program of this environment and its arguments, for example: "
              "esterward trials --runs 60000")
        sys.exit(2)
    if asked[0] == "esterward" and len(asked) > 1 and asked[1] in NEVER:
        _tell(f"esterward {asked[1]} runs on the plain sources only; start it without this")
        sys.exit(2)
    try:
        place = ready()
    except (RuntimeError, OSError, ValueError) as error:
        _tell(str(error))
        sys.exit(2)
    except KeyboardInterrupt:
        sys.exit(130)
    program = str(here[asked[0]])
    os.execve(program, [program, *asked[1:]], {**os.environ, "PYTHONPATH": str(place)})


if __name__ == "__main__":
    main()
