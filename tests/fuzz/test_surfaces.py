"""20,000 mutated inputs at every surface, and defects that must show there."""

from __future__ import annotations

import re
import sqlite3
import tempfile
from collections import Counter
from collections.abc import Callable, Iterator
from dataclasses import fields, replace
from math import inf, nan
from pathlib import Path
from random import Random
from typing import Any, get_args, get_type_hints

import pytest

from esterward.record import trace
from esterward.record.rows import HASHED
from esterward.settings import files, quantity
from esterward.settings.mistakes import SettingsError
from esterward.telemetry.requests import Requests
from esterward.values.batch import Wash
from esterward.values.outputs import SAFE
from folders import MEMORY
from fuzz_mutators import mutated
from fuzz_record import good_records, snapshot_at
from fuzz_settings import settings_file
from fuzzing import SURFACES, Surface, feed

INPUTS = 20_000


@pytest.mark.parametrize("surface", SURFACES, ids=lambda surface: surface.name)
def test_no_mutated_input_gets_past_a_surface(surface: Surface) -> None:
    with tempfile.TemporaryDirectory(dir=MEMORY) as folder:
        bad = feed(surface, INPUTS, 1, Path(folder))
    assert bad is None, f"{bad[1]!r} on {bad[0]!r}"


def test_the_mutator_reaches_deep_and_the_check_can_fail(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch,
) -> None:
    payload = surface_of("mqtt-payload")
    rng = Random(1)
    judge = Requests()
    judge.renew("n1")
    kinds = {type(judge.judge(mutated(payload.seeds, rng), False)).__name__ for _ in range(3000)}
    assert kinds == {"Request", "Refusal"}, "some get through, so what lies behind is tried too"
    monkeypatch.setattr(Requests, "judge", lambda self, payload, retained: payload.decode())
    assert feed(payload, 100, 1, tmp_path) is not None


# -- each check finds a defect put in on purpose --------------------------------------------------


def surface_of(name: str) -> Surface:
    return next(surface for surface in SURFACES if surface.name == name)


def finding(surface: Surface, folder: Path, count: int = 3000) -> str:
    """What the defect shows as: a failed check, not just any exception."""
    bad = feed(surface, count, 1, folder)
    assert bad is not None and isinstance(bad[1], AssertionError), bad
    return str(bad[1])


@pytest.mark.parametrize("name", ["reactor-file", "batch-file"])
def test_a_settings_file_whose_bounds_are_too_wide_is_found(
    name: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr("esterward.settings.fields.bounded",
                        lambda text, kind, lowest, highest: quantity.bounded(
                            text, kind, lowest - 2.0 * abs(lowest), 3.0 * highest))
    assert finding(surface_of(name), tmp_path).startswith("accepted: ")


@pytest.mark.parametrize(("name", "load"), [("reactor-file", files.load_reactor),
                                            ("batch-file", files.load_batch)])
def test_a_settings_file_with_one_wrong_field_is_found_whichever_it_is(
    name: str, load: Callable[[Path], Any], tmp_path: Path,
) -> None:
    seeds = surface_of(name).seeds
    (tmp_path / "good.toml").write_bytes(seeds[0])
    kind = type(load(tmp_path / "good.toml"))
    hints = get_type_hints(kind)
    tried = 0
    for field in fields(kind):
        optional = type(None) in get_args(hints[field.name])
        wrong = [nan, inf, -inf, -1e9, 1e9, "7\n", True, (nan,), ((0.0, nan), (1.0, 1.0)),
                 *((Wash(nan, True),) if field.name == "washes" else ()),
                 *(() if optional else (None,))]
        if hints[field.name] is bool:
            wrong = [None, 1, "yes", nan]
        for value in wrong:
            def spoilt(path: Path, name: str = field.name, value: object = value) -> object:
                return replace(load(path), **{name: value})

            with pytest.raises(AssertionError, match="accepted: "):
                settings_file(spoilt, tmp_path)(seeds[0])
            tried += 1
    assert tried > 200


def test_most_settings_files_are_read_and_many_accepted(tmp_path: Path) -> None:
    for name, load in (("reactor-file", files.load_reactor), ("batch-file", files.load_batch)):
        surface, rng, seen = surface_of(name), Random(1), Counter[str]()
        for _ in range(300):
            (tmp_path / "f.toml").write_bytes(surface.change(surface.seeds, rng))
            try:
                load(tmp_path / "f.toml")
                seen["accepted"] += 1
            except SettingsError as error:
                seen["judged"] += not re.search("valid TOML|UTF-8", error.mistakes[0])
        assert seen["accepted"] > 20 and seen["accepted"] + seen["judged"] > 100, seen


NONSENSE: tuple[Callable[[bytes], Any], ...] = (
    lambda body: ["nonsense"], lambda body: [], lambda body: [(snapshot_at(1.0), SAFE)] * 61,
    lambda body: [(replace(snapshot_at(1.0), now_s="1.0"), SAFE)] * 2,
    lambda body: [(replace(snapshot_at(1.0), probe_a=None), SAFE)] * 2,
    lambda body: [(snapshot_at(1.0), replace(SAFE, k1=1))] * 2,
)


@pytest.mark.parametrize("decode", NONSENSE)
def test_a_trace_read_as_something_else_is_found(
    decode: Callable[[bytes], Any], tmp_path: Path, monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(trace, "decode", decode)
    finding(surface_of("trace-chunk"), tmp_path, 1)


def test_a_trace_whose_columns_nobody_judges_is_found(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(trace, "_only", lambda column, kinds, name: column)
    assert "read as a tick: " in finding(surface_of("trace-chunk"), tmp_path)


def _unchained(connection: sqlite3.Connection, table: str) -> Iterator[tuple[Any, ...]]:
    yield from connection.execute(f"SELECT {HASHED[table]} FROM {table} ORDER BY 1").fetchall()


RECORD_DEFECTS: dict[str, tuple[str, object, str]] = {
    "no row is checked": ("resume.check", lambda connection, path: "",
                          "go on|believed|not as it was written"),
    "damage is no damage": ("schema.DAMAGE_NAMES", (), "no start on it|refused our own"),
    "rows after a bad one are kept": ("resume.chained", _unchained, "not as it was written"),
    "a lost end is not missed": ("resume.promised_number", lambda path: None, "believed"),
    "nothing is stored": ("journal.Journal.step", lambda self, now_s: None, "does not go on"),
    "any file is refused": ("resume.is_ours", lambda path: False, "refused our own"),
}


@pytest.mark.parametrize("defect", RECORD_DEFECTS)
def test_a_defect_of_the_record_is_found(defect: str, monkeypatch: pytest.MonkeyPatch) -> None:
    good_records()  # made before the defect
    name, value, shown = RECORD_DEFECTS[defect]
    monkeypatch.setattr(f"esterward.record.{name}", value)
    monkeypatch.setattr("fuzz_record.EVERY", 1)
    with tempfile.TemporaryDirectory(dir=MEMORY) as folder:
        assert re.search(shown, finding(surface_of("journal-file"), Path(folder)))


@pytest.mark.parametrize(("name", "data"), [
    # SQLite took the bytes for a size and found no memory: MemoryError.
    ("journal-file", b"\xff" * 8 + b"\xef\xff\xff\xff\xfd" + b"\xff" * 16 + b"hello"),
    # As many ticks as the number says, by making a list that long: OverflowError.
    ("trace-chunk", b'[1,' + b"9" * 30 + b',[[1.0],["b1"],[true],[null],[90.0],[0],[""]],[[20.0],'
                    b'[1.0],[""]],[false],[],[],[[],[]],[["00000000"],[0]],[]]'),
], ids=["journal-file", "trace-chunk"])
def test_what_longer_runs_found_is_refused_now(name: str, data: bytes, tmp_path: Path) -> None:
    surface_of(name).make(tmp_path)(data)
