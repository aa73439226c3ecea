"""20,000 mutated inputs at every surface."""

from __future__ import annotations

import tempfile
from pathlib import Path
from random import Random

import pytest

from esterward.telemetry.requests import Requests
from folders import MEMORY
from fuzzing import SURFACES, Surface, feed, mutated

INPUTS = 20_000


@pytest.mark.parametrize("surface", SURFACES, ids=lambda surface: surface.name)
def test_no_mutated_input_gets_past_a_surface(surface: Surface) -> None:
    with tempfile.TemporaryDirectory(dir=MEMORY) as folder:
        bad = feed(surface, INPUTS, 1, Path(folder))
    assert bad is None, f"{bad[1]!r} on {bad[0]!r}"


def test_the_mutator_reaches_deep_and_the_check_can_fail(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch,
) -> None:
    payload = next(surface for surface in SURFACES if surface.name == "mqtt-payload")
    rng = Random(1)
    judge = Requests()
    judge.renew("n1")
    kinds = {type(judge.judge(mutated(payload.seeds, rng), False)).__name__ for _ in range(3000)}
    assert kinds == {"Request", "Refusal"}, "some get through, so what lies behind is tried too"
    monkeypatch.setattr(Requests, "judge", lambda self, payload, retained: payload.decode())
    assert feed(payload, 100, 1, tmp_path) is not None


@pytest.mark.parametrize(("name", "data"), [
    # SQLite took the bytes for a size and found no memory: MemoryError.
    ("journal-file", b"\xff" * 8 + b"\xef\xff\xff\xff\xfd" + b"\xff" * 16 + b"hello"),
    # As many ticks as the number says, by multiplying a list: OverflowError.
    # As many ticks as the number says, by making a list that long: OverflowError.
    ("trace-chunk", b'[1,' + b"9" * 30 + b',[[1.0],["b1"],[true],[null],[90.0],[0],[""]],[[20.0],'
                    b'[1.0],[""]],[false],[],[],[[],[]],[["00000000"],[0]],[]]'),
], ids=["journal-file", "trace-chunk"])
def test_what_longer_runs_found_is_refused_now(name: str, data: bytes, tmp_path: Path) -> None:
    next(surface for surface in SURFACES if surface.name == name).make(tmp_path)(data)
