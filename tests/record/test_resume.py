"""Damage of every kind: the last state is found unchanged or not at all, never half.

Sampled damage uses fixed seeds; each case says which byte or page it hit.
"""

from __future__ import annotations

import os
import random
import shutil
import sqlite3
import tempfile
from collections.abc import Callable, Iterator
from contextlib import closing, suppress
from pathlib import Path
from typing import Any

import pytest

from esterward.record import resume, schema
from esterward.record.journal import Journal
from esterward.record.lock import lock_path, promised_number, slot
from esterward.record.read import read_events, read_marks, read_rows, read_trace
from esterward.record.resume import NOTHING, Found, last_state
from esterward.record.schema import BadRecord
from folders import MEMORY

Begin = Callable[..., Any]
TABLES = ("marks", "events", "documents", "checkpoints", "trace")
EVENTS = 57  # not a multiple of the commits between two folds: the log must hold something


@pytest.fixture
def path() -> Iterator[Path]:
    """Damaged files are looked at where they were written: no disk need hold them."""
    with tempfile.TemporaryDirectory(dir=MEMORY) as folder:
        yield Path(folder) / "record.sqlite"


@pytest.fixture(scope="module")
def whole(tmp_path_factory: pytest.TempPathFactory, request: pytest.FixtureRequest) -> Path:
    """A record with a clean stop: 57 events, four chunks of trace, a document."""
    from importlib.util import module_from_spec, spec_from_file_location

    spec = spec_from_file_location("record_conftest", Path(__file__).with_name("conftest.py"))
    assert spec is not None and spec.loader is not None
    conftest = module_from_spec(spec)
    spec.loader.exec_module(conftest)
    path = tmp_path_factory.mktemp("whole") / "record.sqlite"
    feeder = conftest.Feeder(Journal(path, boot="boot", now_s=100.0, wall_s=1.8e9))
    feeder.journal.attach({"sheet": '{"oil_l": 120.0}'})
    for second in range(4 * EVENTS):
        feeder.tick(second % 4 == 0)
    # A copy taken while it runs is what a power cut leaves: file, log and lock file.
    cut = path.with_name("cut.sqlite")
    _copy(path, cut)
    feeder.journal.close(feeder.now_s, 1.8e9 + feeder.now_s)
    return path


def _copy(source: Path, target: Path) -> None:
    for suffix in ("", "-wal", ".lock"):
        file = source.with_name(source.name + suffix)
        if file.exists():
            shutil.copyfile(file, target.with_name(target.name + suffix))


def _start(path: Path) -> Found:
    """What a real start finds; it also mends, so it comes after looking."""
    journal = Journal(path, boot="next", now_s=5.0)
    journal.close(6.0)
    return journal.found


def _judge(path: Path, case: str) -> bool:
    """Both ways of looking agree and believe all or nothing; True when believed."""
    seen, found = last_state(path, boot="next", now_s=5.0), _start(path)
    assert found.checkpoint in (None, f"state of {EVENTS}"), case
    assert seen.checkpoint == found.checkpoint, case
    assert bool(found.why) == (found.checkpoint is None), case
    if found.checkpoint is not None:
        assert found.last_number == EVENTS, case
    # What is left is a prefix of what was written, and the record goes on from there.
    numbers = [event.number for event in read_events(path)]
    assert numbers == list(range(1, found.last_number + 1)), case
    assert promised_number(path) == found.last_number, case
    list(read_trace(path))
    return found.checkpoint is not None


def test_an_undamaged_copy_is_believed(whole: Path, path: Path) -> None:
    _copy(whole, path)
    assert _judge(path, "clean stop")
    _copy(whole.with_name("cut.sqlite"), path)
    assert _judge(path, "cut while running")


def _rows(path: Path) -> dict[str, list[Any]]:
    """Every row of each table as SQLite gives it, checked by nobody; {} when it gives none."""
    with closing(sqlite3.connect(f"file:{path}?mode=ro", uri=True)) as connection, suppress(
            sqlite3.Error, UnicodeDecodeError):
        return {table: connection.execute(f"SELECT * FROM {table} ORDER BY rowid").fetchall()
                for table in TABLES}
    return {}


def _places(content: bytes, rows: list[Any]) -> list[int]:
    """Where in the file the texts and checksums of these rows stand."""
    found = []
    for value in (value for row in rows for value in row):
        text = value.encode() if isinstance(value, str) else value
        if isinstance(text, bytes) and len(text) > 8 and content.count(text) == 1:
            found += range(content.index(text), content.index(text) + len(text))
    return found


@pytest.mark.parametrize(("part", "table", "cases"), [
    ("", "", 80), ("-wal", "", 80), *(("", table, 16) for table in TABLES)])
def test_no_flipped_bit_is_believed(
        whole: Path, path: Path, part: str, table: str, cases: int) -> None:
    """Believed is only a record that holds every row as it was written, whatever was hit."""
    source = whole.with_name("cut.sqlite") if part else whole
    content = source.with_name(source.name + part).read_bytes()
    _copy(source, path)
    written, chance, changed = _rows(path), random.Random(7), 0
    # Without a table anywhere, but for the zeros: much of a file is free space.
    places = _places(content, written[table]) if table else [
        place for place, byte in enumerate(content) if byte]
    for _ in range(cases):
        _clear(path)
        _copy(source, path)
        place, bit = chance.choice(places), chance.randrange(8)
        damaged = bytearray(content)
        damaged[place] ^= 1 << bit
        path.with_name(path.name + part).write_bytes(damaged)
        intact = _rows(path) == written
        changed += not intact
        case = f"byte {place} bit {bit} of {part or 'the file'}"
        try:
            assert not _judge(path, case) or intact, case
        except BadRecord as error:  # a flip in the version number reads as another version
            assert "format" in str(error)
    assert changed == cases if table else changed > cases / 2


def test_no_zeroed_page_and_no_cut_end_is_believed_wrongly(whole: Path, path: Path) -> None:
    for source, part in ((whole, ""), (whole.with_name("cut.sqlite"), "-wal")):
        content = source.with_name(source.name + part).read_bytes()
        for start in range(0, len(content), 4096):
            for damaged in (content[:start] + bytes(4096) + content[start + 4096:],
                            content[:start], content[:start + 512]):
                _copy(source, path)
                path.with_name(path.name + part).write_bytes(damaged)
                _judge(path, f"{part or 'file'} at {start}, {len(damaged)} bytes left")
                _clear(path)


def test_a_log_cut_off_at_a_commit_is_noticed_although_sqlite_accepts_it(
        whole: Path, path: Path) -> None:
    # The dangerous one: SQLite finds nothing wrong, yet the newest events are gone.
    _copy(whole.with_name("cut.sqlite"), path)
    wal = path.with_name(path.name + "-wal")
    wal.write_bytes(b"")
    with sqlite3.connect(path) as connection:
        assert connection.execute("PRAGMA integrity_check").fetchone() == ("ok",)
        (left,) = connection.execute("SELECT count(*) FROM events").fetchone()
    connection.close()
    assert left < EVENTS
    found = _start(path)
    assert found.checkpoint is None
    assert found.why == f"the record has lost events: {EVENTS} were on the disk, {left} are left"


def test_damage_that_even_the_error_message_cannot_spell_is_damage(
        whole: Path, path: Path) -> None:
    # Found by flipping bits: Python's module fails to decode SQLite's message about this.
    _copy(whole, path)
    content = path.read_bytes()
    assert content.count(b"CREATE TABLE marks") == 1
    path.write_bytes(content.replace(b"CREATE TABLE marks", b"CRE\xc1TE TABLE marks"))
    assert not _judge(path, "a letter of the schema")


def _clear(path: Path) -> None:
    for file in path.parent.iterdir():
        file.unlink()


@pytest.mark.parametrize(("table", "change", "left"), [
    ("events", "UPDATE events SET at_s = at_s + 1 WHERE number = 31", 30),
    ("events", "DELETE FROM events WHERE number = 31", 30),
    ("events", "UPDATE events SET data = (SELECT data FROM events WHERE number = 2), "
               "hash = (SELECT hash FROM events WHERE number = 2) WHERE number = 31", 30),
    ("marks", "UPDATE marks SET kind = 'stop' WHERE seq = 1", 0),
    ("marks", "DELETE FROM marks", 0),
    ("checkpoints", "UPDATE checkpoints SET text = 'another state'", EVENTS),
    ("trace", "UPDATE trace SET last_s = last_s + 1 WHERE seq = 3", EVENTS),
    ("trace", "DELETE FROM trace WHERE seq = 3", EVENTS),
    ("documents", "UPDATE documents SET text = '{}'", EVENTS),
])
def test_a_row_changed_by_hand_is_noticed_and_the_rows_before_it_are_kept(
        whole: Path, path: Path, table: str, change: str, left: int) -> None:
    _copy(whole, path)
    with sqlite3.connect(path) as connection:
        assert connection.execute(change).rowcount >= 1
    connection.close()
    before = path.read_bytes()
    found = _start(path)
    assert found.checkpoint is None
    assert found.why.startswith("the record is damaged: ")
    assert table.rstrip("s") in found.why
    assert found.last_number == left
    assert path.with_name(found.renamed).read_bytes() == before
    assert found.renamed == "record.sqlite.damaged-1"
    assert [event.number for event in read_events(path)] == list(range(1, left + 1))
    starts = [mark.text for mark in read_marks(path) if mark.kind == "start"]
    assert starts[-1] == found.renamed


def test_a_damaged_mark_costs_one_start_its_state_and_not_every_one_after_it(
        whole: Path, path: Path, feeder: Any) -> None:
    """What belongs to starts whose marks were lost made the fresh record a damaged one again."""
    _copy(whole, path)
    for boot in range(4):
        made = feeder(Journal(path, boot=f"boot {boot}", now_s=5.0))
        made.tick(1)
        made.journal.close(made.now_s)
    with sqlite3.connect(path) as connection:
        connection.execute("UPDATE marks SET text = 'x' WHERE seq = 5")  # of the third start
    connection.close()
    found = _start(path)
    assert found.checkpoint is None and found.renamed and found.last_number == EVENTS + 1
    made = feeder(Journal(path, boot="after", now_s=5.0))
    assert not made.journal.found.renamed
    made.tick(1)
    made.journal.close(made.now_s)
    assert last_state(path).why == "" and [event.number for event in read_events(path)] == list(
        range(1, EVENTS + 3))


@pytest.mark.parametrize("gone", [True, False])
def test_a_loss_is_told_until_a_state_was_stored_since(
        whole: Path, path: Path, feeder: Any, gone: bool) -> None:
    _copy(whole, path)
    if gone:
        path.unlink()
    else:
        path.write_bytes(b"x" * 8192)
    for turn in range(3):
        journal = Journal(path, boot=f"boot {turn}", now_s=5.0)
        assert journal.found.checkpoint is None and journal.found.why != NOTHING.why
        journal.withdraw(6.0)  # refused for something else, before it stored a word
    made = feeder(Journal(path, boot="last", now_s=5.0))
    made.tick(1)
    made.journal.close(made.now_s, clean=False)
    assert last_state(path).why == ""


@pytest.mark.parametrize(("at", "value", "why"), [
    (18, 3, "may only be read"),  # "file format write version": SQLite reads it, never writes it
    (18, 255, "may only be read"),
    (47, 5, "unsupported file format"),  # "schema format number": SQLITE_ERROR, not _CORRUPT
    (47, 255, "unsupported file format"),
])
@pytest.mark.parametrize("name", ["record.sqlite", "cut.sqlite"])
def test_a_damaged_header_is_set_aside_and_stops_no_start(
        whole: Path, path: Path, feeder: Any, name: str, at: int, value: int, why: str) -> None:
    """These ended as "cannot be written" and "cannot be read", at every start anew."""
    _copy(whole.with_name(name), path)
    with path.open("r+b") as file:
        file.seek(at)
        file.write(bytes([value]))
    seen = last_state(path)
    # A log that holds the first page too would replace it.
    assert why in seen.why or (name == "cut.sqlite" and seen.checkpoint is not None)
    journal = Journal(path, boot="next", now_s=5.0)
    assert journal.fault == ""
    assert (journal.found.checkpoint, journal.found.why) == (seen.checkpoint, seen.why)
    assert seen.checkpoint is not None or journal.found.renamed
    fed = feeder(journal, 5.0, None)
    fed.tick(1)
    journal.close(7.0)
    assert last_state(path).checkpoint == f"state of {fed.number}"


def test_sqlite_keeps_its_lock_on_the_record_while_it_is_checked(
        whole: Path, path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Or another process that closes the record just then takes itself for the last, and folds
    and deletes the log below the check. Any close of the file by us would drop it."""
    _copy(whole.with_name("cut.sqlite"), path)
    held: list[bool] = []

    def looked(path: Path) -> int | None:
        mine = [line.split() for line in Path("/proc/locks").read_text("ascii").splitlines()]
        held.append(any(row[1] == "POSIX" and row[4] == str(os.getpid())
                        and row[5].endswith(f":{path.stat().st_ino}") for row in mine
                        if row[1] != "->"))
        return promised_number(path)

    monkeypatch.setattr(resume, "promised_number", looked)
    assert last_state(path).checkpoint is not None and held == [True]


def test_a_record_for_which_sqlite_finds_no_memory_is_set_aside(
        whole: Path, path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    # Damaged bytes may stand where a size stands.
    _copy(whole, path)
    before = path.read_bytes()

    def identify(connection: sqlite3.Connection, opened: Path) -> bool:
        if opened == path and path.read_bytes() == before:
            raise MemoryError
        return identified(connection, opened)

    identified = schema.identify

    with monkeypatch.context() as patch:
        patch.setattr("esterward.record.schema.identify", identify)
        with pytest.raises(BadRecord, match="no memory for what is in it"):
            list(read_events(path))
        found = _start(path)
    assert found.checkpoint is None
    assert found.why.startswith("the record is damaged: ") and "no memory" in found.why
    assert path.with_name(found.renamed).read_bytes() == before
    assert last_state(path).last_number == found.last_number == 0


def test_a_record_that_claims_a_text_longer_than_sqlite_takes_is_set_aside(
        whole: Path, path: Path) -> None:
    """A cell of the first page begins with its length (sqlite.org/fileformat2.html, 1.6)."""
    _copy(whole, path)
    image = bytearray(path.read_bytes())
    cell = int.from_bytes(image[108:110], "big")
    # Found by mutated inputs.
    wrong = b"\xff\xff\xdf\xff\xff\xff\xff\xff\xff-1e999\xff\xff\xff\xff\xff\xc3"
    image[cell:cell + len(wrong)] = wrong
    path.write_bytes(image)
    with pytest.raises(BadRecord, match="too big"):
        list(read_events(path))
    found = _start(path)
    assert found.checkpoint is None and "too big" in found.why
    assert path.with_name(found.renamed).read_bytes() == bytes(image)


def test_a_damaged_record_is_set_aside_together_with_its_log(whole: Path, path: Path) -> None:
    """Left behind, SQLite would play it over the fresh file."""
    _copy(whole.with_name("cut.sqlite"), path)
    log = path.with_name(path.name + "-wal").read_bytes()
    lock_path(path).write_bytes(slot(999) * 2)
    found = _start(path)
    assert found.checkpoint is None and log
    assert path.with_name(found.renamed + "-wal").read_bytes() == log


def test_a_record_mended_once_is_believed_again(whole: Path, path: Path, feeder: Any) -> None:
    _copy(whole, path)
    with sqlite3.connect(path) as connection:
        connection.execute("DELETE FROM events WHERE number = 50")
    connection.close()
    journal = Journal(path, boot="b", now_s=5.0)
    fed = feeder(journal, 5.0)
    fed.tick(1)
    journal.close(fed.now_s)
    assert last_state(path).checkpoint == "state of 50"
    assert [row.event.number for row in read_rows(path)] == list(range(1, 51))


def test_a_lost_file_is_told_from_a_first_start(whole: Path, path: Path) -> None:
    assert last_state(path).why == "no batch was recorded here yet"
    _copy(whole, path)
    path.unlink()
    found = _start(path)
    assert (found.checkpoint, found.clean) == (None, False)
    assert found.why == "the record is gone, but its lock file is there"


def test_a_damaged_lock_file_neither_blocks_nor_invents(whole: Path, path: Path) -> None:
    for content in (b"", b"x" * 128, bytes(128), b"999 0123456789abcdef".ljust(128)):
        _copy(whole, path)
        lock_path(path).write_bytes(content)
        assert _judge(path, repr(content[:20]))
        _clear(path)


def _other_database(path: Path) -> None:
    with sqlite3.connect(path) as connection:
        connection.execute("CREATE TABLE recipes (name TEXT)")
    connection.close()


def _newer(path: Path) -> None:
    Journal(path, boot="b", now_s=0.0).close(1.0)
    with sqlite3.connect(path) as connection:
        connection.execute("PRAGMA user_version = 7")
    connection.close()


@pytest.mark.parametrize(("make", "why"), [
    (_other_database, "was not written by esterward"),
    (lambda path: path.write_text("minutes of a meeting\n" * 99), "not a record of esterward"),
    (_newer, "format 7, written by a newer esterward"),
])
def test_a_file_of_another_kind_is_refused_and_left_alone(
        path: Path, make: Callable[[Path], None], why: str) -> None:
    make(path)
    before = path.read_bytes()
    for look in (last_state, lambda file: Journal(file, boot="b", now_s=0.0)):
        with pytest.raises(BadRecord, match=why):
            look(path)
    assert path.read_bytes() == before
    assert not list(path.parent.glob("*damaged*"))
