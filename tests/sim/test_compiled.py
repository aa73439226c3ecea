"""What is given to mypyc means the same as the sources: rehearsed here without its C.

That the C itself does too is compared by the program each time it has compiled
(esterward_sim/compiled.py); a C compiler is not needed for the test command.
"""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path
from typing import get_type_hints

import pytest

from esterward_sim import compiled
from esterward_sim.orders import parse_orders

STORY = (("probe_a_lost@600-660", "blackout@1200-1300"), 0.6)
MODULE = '''"""A module."""

from __future__ import annotations

from dataclasses import dataclass, field


@dataclass(frozen=True, slots=True)
class Frozen:
    """Two."""

    a_c: float
    names: tuple[str, ...] = ()


@dataclass(slots=True)
class State:
    """Lists are its own."""

    count: int = 3
    rows: list[int] = field(default_factory=lambda: [1])
    later: int = field(init=False)

    def __post_init__(self) -> None:
        self.later = self.count + 1
'''


def asked(path: str, story: tuple[tuple[str, ...], float]) -> list[str]:
    code = ("from esterward_sim import compiled as c; import esterward.tick as t; "
            "print(t.__file__); "
            f"print(c.rehearsed(*{story!r})); print(c.judged('heat.warm', 2))")
    done = subprocess.run([sys.executable, "-c", code], text=True, capture_output=True,
                          check=True, timeout=300, env={**os.environ, "PYTHONPATH": path})
    return done.stdout.split()


def test_the_rewritten_sources_rehearse_as_the_plain_ones(tmp_path: Path) -> None:
    folder = tmp_path / "some/where"
    names = compiled.copy_sources(folder)
    assert len(names) > 40 and "esterward/guard/rule.py" in names
    where, *found = asked(str(folder), STORY)
    assert where.startswith(str(folder)), "the copy was not what ran"
    plain, *wanted = asked("", STORY)
    assert not plain.startswith(str(tmp_path))
    assert found == wanted


def test_the_checksum_of_a_rehearsal_tells_one_from_another() -> None:
    assert compiled.rehearsed((), 0.4) == compiled.rehearsed((), 0.4)
    assert compiled.rehearsed((), 0.4) != compiled.rehearsed(("probe_a_lost@600-660",), 0.4)


def test_a_story_of_the_comparison_is_one_that_the_rehearsal_takes() -> None:
    for texts, _ in compiled.STORIES:
        orders, wrong = parse_orders(texts)
        assert len(orders) == len(texts) and not wrong


def test_a_rewritten_dataclass_starts_like_the_one_it_was() -> None:
    spaces: list[dict[str, object]] = [{"__name__": "a"}, {"__name__": "b"}]
    sys.modules.update(a=type(sys)("a"), b=type(sys)("b"))
    try:
        for text, space in zip((MODULE, compiled.for_mypyc(MODULE)), spaces, strict=True):
            exec(compile(text, "module", "exec"), space)
    finally:
        del sys.modules["a"], sys.modules["b"]
    for make in ("Frozen(1.5)", "Frozen(2.0, ('x',))", "State()", "State(5, [2])", "State().rows",
                 "State().later", "Frozen(1.0) == Frozen(1.0)",
                 "hash(Frozen(1.0)) == hash(Frozen(1.0))"):
        plain, rewritten = (eval(f"repr({make})", space) for space in spaces)
        assert plain == rewritten, make
    hints = [get_type_hints(space["State"], space) for space in spaces]
    assert hints[0] == hints[1] and hints[0]["rows"] == list[int]
    one, two = (eval("State(), State()", spaces[1]))
    assert one.rows is not two.rows
    with pytest.raises(TypeError):
        eval("Frozen()", spaces[1])


@pytest.mark.parametrize("line", [
    "    rows: list[int] = field(default=3, repr=False)", "    rows: typing.ClassVar[int] = 3",
    "    rows: list[int] = field(default_factory=list, repr=False)"])
def test_a_field_it_does_not_know_ends_the_build(line: str) -> None:
    kept = "    rows: list[int] = field(default_factory=lambda: [1])"
    with pytest.raises(ValueError, match=r"rows = .* is not known here"):
        compiled.for_mypyc(MODULE.replace(kept, line))


def test_a_dataclass_spelled_otherwise_ends_the_build() -> None:
    with pytest.raises(ValueError, match="order=True"):
        compiled.for_mypyc(MODULE.replace("(slots=True)", "(order=True)"))
    with pytest.raises(ValueError, match="with a base"):
        compiled.for_mypyc(MODULE.replace("class State:", "class State(Frozen):"))


def test_another_source_or_example_is_another_checksum(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(compiled, "SOURCES", ("a",))
    seen = set()
    for name, text in (("x.py", "A = 1"), ("x.py", "A = 2"), ("y.toml", "b = 1"), ("y.toml", "")):
        (tmp_path / "a").mkdir(exist_ok=True)
        (tmp_path / "a" / name).write_text(text)
        seen.add(compiled.checksum(tmp_path))
        assert compiled.checksum(tmp_path) in seen
    assert len(seen) == 4


@pytest.mark.parametrize(("args", "told"), [
    ((), "name a program"), (("no-such-program",), "name a program"),
    (("",), "name a program"), ((".",), "name a program"), (("activate",), "name a program"),
    (("/bin/ls",), "name a program"), (("./esterward", "run"), "name a program"),
    (("x" * 300,), "name a program"),
    (("esterward", "run"), "plain sources only"), (("esterward", "guard"), "plain sources only")])
def test_what_cannot_be_started_is_one_sentence_and_exit_2(args: tuple[str, ...], told: str
                                                           ) -> None:
    done = subprocess.run([sys.executable, "-m", "esterward_sim.compiled", *args], text=True,
                          capture_output=True, check=False, timeout=60)
    assert done.returncode == 2 and told in done.stderr
    assert done.stderr.count("\n") == 1 and not done.stdout


def test_what_a_build_needs_is_told_before_it_begins(monkeypatch: pytest.MonkeyPatch,
                                                    tmp_path: Path) -> None:
    monkeypatch.setattr(compiled, "BUILT", tmp_path / "none")
    monkeypatch.setenv("CC", "no-such-compiler -O9")
    with pytest.raises(RuntimeError, match="no C compiler 'no-such-compiler -O9'"):
        compiled.ready()
    monkeypatch.setattr(compiled, "SOURCES", ("no/such/folder",))
    assert "needs a clone" in compiled.missing()


def test_the_copy_finds_the_shipped_example_reactor(tmp_path: Path) -> None:
    compiled.copy_sources(tmp_path)
    done = subprocess.run(
        [sys.executable, "-c", "from esterward_sim.rehearse import example_reactor as e; "
         "print(e())"], text=True, capture_output=True, check=True, timeout=60,
        env={**os.environ, "PYTHONPATH": str(tmp_path)})
    assert Path(done.stdout.strip()) == tmp_path / "config/reactor.toml"
