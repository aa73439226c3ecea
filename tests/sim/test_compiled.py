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

ASK = "from esterward_sim import compiled as c; import esterward.tick as t; print(t.__file__); "
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


def rehearsed(code: str, path: str) -> list[str]:
    done = subprocess.run([sys.executable, "-c", ASK + code], text=True, capture_output=True,
                          check=True, timeout=300, env={**os.environ, "PYTHONPATH": path})
    return done.stdout.split()


def test_the_rewritten_sources_rehearse_as_the_plain_ones(tmp_path: Path) -> None:
    names = compiled.copy_sources(tmp_path)
    assert len(names) > 40 and "esterward/guard/rule.py" in names
    code = f"c.ROOT = c.Path({str(compiled.ROOT)!r}); print(c.signature(0.6, 'heat.warm'))"
    where, found = rehearsed(code, str(tmp_path))
    assert where.startswith(str(tmp_path)), "the copy was not what ran"
    plain, wanted = rehearsed(code, "")
    assert not plain.startswith(str(tmp_path))
    assert found == wanted


def test_a_rewritten_dataclass_starts_like_the_one_it_was() -> None:
    spaces: list[dict[str, object]] = [{"__name__": "a"}, {"__name__": "b"}]
    sys.modules.update(a=type(sys)("a"), b=type(sys)("b"))
    try:
        for text, space in zip((MODULE, compiled.for_mypyc(MODULE)), spaces, strict=True):
            exec(compile(text, "module", "exec"), space)
    finally:
        del sys.modules["a"], sys.modules["b"]
    for make in ("Frozen(1.5)", "Frozen(2.0, ('x',))", "State()", "State(5, [2])", "State().rows",
                 "State().later", "Frozen(1.0) == Frozen(1.0)", "hash(Frozen(1.0)) != 0"):
        plain, rewritten = (eval(f"repr({make})", space) for space in spaces)
        assert plain == rewritten, make
    hints = [get_type_hints(space["State"], space) for space in spaces]
    assert hints[0] == hints[1] and hints[0]["rows"] == list[int]
    one, two = (eval("State(), State()", spaces[1]))
    assert one.rows is not two.rows
    with pytest.raises(TypeError):
        eval("Frozen()", spaces[1])


def test_another_source_is_another_checksum(tmp_path: Path, monkeypatch: pytest.MonkeyPatch
                                            ) -> None:
    (tmp_path / "a").mkdir()
    (tmp_path / "a/x.py").write_text("A = 1\n")
    monkeypatch.setattr(compiled, "ROOT", tmp_path)
    monkeypatch.setattr(compiled, "SOURCES", (tmp_path / "a",))
    before = compiled.checksum()
    assert compiled.checksum() == before
    (tmp_path / "a/x.py").write_text("A = 2\n")
    assert compiled.checksum() != before


@pytest.mark.parametrize(("args", "told"), [
    ((), "name a program"), (("no-such-program",), "name a program")])
def test_a_missing_program_is_one_sentence_and_exit_2(args: tuple[str, ...], told: str) -> None:
    done = subprocess.run([sys.executable, "-m", "esterward_sim.compiled", *args], text=True,
                          capture_output=True, check=False, timeout=60)
    assert done.returncode == 2 and told in done.stderr and "Traceback" not in done.stderr


def test_without_a_c_compiler_it_says_so(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    monkeypatch.setattr(compiled, "BUILT", tmp_path / "none")
    monkeypatch.setenv("CC", "no-such-compiler")
    assert "no C compiler 'no-such-compiler'" in compiled.ready()
