"""Power cuts in the middle of writing a record, generated from a trace of its system calls.

A process keeps a record under strace and says which events it acknowledged. For moments
between its system calls the files are built anew as a power cut may leave them: what was
synced is there; of what was not synced nothing, everything, or a random part in any order,
writes torn at 512-byte sectors. Each image is then opened as a start would.

An image must hold every event acknowledged by then, and the state it offers must be that of
its last event, or none with a reason. Renames reach the disk in order, at the latest with the
sync of their folder. Not modelled: files missing from their folder, a disk that lies about a
sync. kill -9 tests none of this, since the page cache survives it.

With --backlog N every event comes with N that had to wait for the disk.
With --bound BYTES the oldest events are dropped on the way, as in a record that has grown too big.
With --damaged the process starts on a record of five events whose first page is lost, and no
image may look like one in which nothing was ever begun.

    python tests/record/tools/power_cut.py --images 100000 --events 60 --seed 1 [--damaged]
    python tests/record/tools/power_cut.py --images 10000 --events 4 --backlog 600
    python tests/record/tools/power_cut.py --images 10000 --events 200 --bound 60000
"""

from __future__ import annotations

import argparse
import json
import random
import re
import subprocess
import sys
import tempfile
from dataclasses import dataclass, field
from pathlib import Path

from esterward.record.journal import Journal
from esterward.record.read import read_dropped, read_events
from esterward.record.resume import last_state
from esterward.record.schema import BadRecord

WRITER = Path(__file__).parents[1] / "writer.py"
CALLS = "trace=pwrite64,write,fsync,fdatasync,ftruncate,unlink,rename"
CALL = re.compile(r'^\d+\s+(\w+)\((.*)\)\s+=\s+(\d+)')
QUOTED = re.compile(r'"((?:\\x[0-9a-f]{2})*)"')
SECTOR = 512


@dataclass
class Op:
    """One system call: what, on which file ("" for the folder), where, which bytes."""

    call: str
    name: str
    place: int = 0
    data: bytes = b""
    other: str = ""  # the new name


@dataclass
class File:
    """A file on the disk: what is synced, and what was done since."""

    synced: bytearray = field(default_factory=bytearray)
    waiting: list[Op] = field(default_factory=list)

    def apply(self, content: bytearray, op: Op, sectors: random.Random | None = None) -> None:
        if op.call == "ftruncate":
            del content[op.place:]
            content.extend(bytes(op.place - len(content)))
            return
        end = op.place + len(op.data)
        if len(content) < end:
            content.extend(bytes(end - len(content)))
        for start in range(0, len(op.data), SECTOR):
            if sectors is None or sectors.random() < 0.5:
                piece = op.data[start:start + SECTOR]
                content[op.place + start:op.place + start + len(piece)] = piece

    def sync(self) -> None:
        for op in self.waiting:
            self.apply(self.synced, op)
        self.waiting.clear()

    def image(self, kind: str, chance: random.Random) -> bytes:
        content = bytearray(self.synced)
        waiting = list(self.waiting) if kind != "none" else []
        if kind == "random":
            waiting = [op for op in waiting if chance.random() < 0.5]
            chance.shuffle(waiting)
        for op in waiting:
            self.apply(content, op, chance if kind == "random" and chance.random() < 0.3 else None)
        return bytes(content)


def _plain(text: str) -> str:
    return bytes.fromhex(text.replace("\\x", "")).decode() if "\\x" in text else text


def _bytes(text: str) -> bytes:
    quoted = QUOTED.search(text)
    return bytes.fromhex(quoted.group(1).replace("\\x", "")) if quoted else b""


def trace(folder: Path, events: int, *more: str) -> list[Op]:
    """Run the writer under strace; its calls on files of the folder, and its acks."""
    log = folder.parent / "calls"
    subprocess.run(["strace", "-f", "-y", "-xx", "-s", "200000", "-o", str(log), "-e", CALLS,
                    sys.executable, str(WRITER), str(folder / "record.sqlite"),
                    "--events", str(events), "--say", *more], check=True, stdout=subprocess.DEVNULL)
    ops: list[Op] = []
    for line in log.read_text().splitlines():
        found = CALL.match(line)
        if not found:
            continue
        call, arguments, _ = found.groups()
        if call == "unlink":
            name = _bytes(arguments).decode()
        else:
            name = _plain(arguments.partition("<")[2].partition(">")[0])
        if call == "write" and arguments.startswith("1<"):
            words = _bytes(arguments).decode().split()
            if words[:1] == ["ack"]:
                ops.append(Op("ack", "", int(words[1])))
        elif call == "rename":
            old, new = (bytes.fromhex(text.replace("\\x", "")).decode()
                        for text in QUOTED.findall(arguments))
            ops.append(Op(call, Path(old).name, other=Path(new).name))
        elif Path(name) == folder and call == "fsync":
            ops.append(Op(call, ""))
        elif Path(name).parent == folder:
            name = Path(name).name
            if call == "pwrite64":
                ops.append(Op(call, name, int(arguments.rpartition(", ")[2]), _bytes(arguments)))
            elif call == "ftruncate":
                ops.append(Op(call, name, int(arguments.rpartition(", ")[2])))
            elif call in ("fsync", "fdatasync", "unlink"):
                ops.append(Op(call, name))
    return ops


def damage(folder: Path) -> dict[str, File]:
    """A record of five events whose first page was lost, and its files as they are on the disk."""
    path = folder / "record.sqlite"
    subprocess.run([sys.executable, str(WRITER), str(path), "--events", "5"], check=True,
                   stdout=subprocess.DEVNULL)
    path.write_bytes(bytes(4096) + path.read_bytes()[4096:])
    return {file.name: File(bytearray(file.read_bytes())) for file in folder.iterdir()}


def renamed(disk: dict[str, File], renames: list[Op]) -> dict[str, File]:
    names = dict(disk)
    for op in renames:
        names[op.other] = names.pop(op.name)
    return names


def judge(files: dict[str, bytes], folder: Path, acknowledged: int, mend: bool,
          begun: bool = False) -> str:
    """ "" when the image is as it must be, "doubt" when no state is offered, else what is lost."""
    for old in folder.iterdir():
        old.unlink()
    for name, content in files.items():
        (folder / name).write_bytes(content)
    path = folder / "record.sqlite"
    try:
        found = last_state(path)
    except BadRecord as error:
        return f"a start is refused: {error}"
    if found.checkpoint not in (None, f"state of {found.last_number}"):
        return f"offers {found.checkpoint!r} with last event {found.last_number}"
    number = found.last_number
    if begun and found.checkpoint is None and found.clean and not number:
        return f"as if nothing was ever begun: {found.why}"
    if mend or found.checkpoint is None:
        journal = Journal(path, boot="after", now_s=0.0)
        number = journal.stored
        journal.close(1.0)
        kept = [event.number for event in read_events(path)]
        if kept != list(range(read_dropped(path).events + 1, number + 1)):
            return "numbers with a hole"
    if number < acknowledged:
        return f"{acknowledged} acknowledged, {number} left"
    return "doubt" if found.checkpoint is None and acknowledged else ""


def images(events: int, wanted: int, seed: int, *more: str, damaged: bool = False
           ) -> dict[str, object]:
    """Build and judge so many images; more: further options of the writer."""
    chance = random.Random(seed)
    with tempfile.TemporaryDirectory(dir="/dev/shm" if Path("/dev/shm").is_dir() else None) as top:
        folder, after = Path(top) / "record", Path(top) / "image"
        folder.mkdir()
        after.mkdir()
        disk = damage(folder) if damaged else {}
        ops = trace(folder, events, *more)
        dropped = read_dropped(folder / "record.sqlite").events
        told: dict[str, object] = {"calls": len(ops), "images": 0, "doubted": 0, "bad": []}
        every = max(1, -(-wanted // len(ops)) - 2)
        bad: list[str] = []
        count = doubted = acknowledged = 0
        renames: list[Op] = []
        picks = set(range(len(ops))) if every > 1 or wanted >= 3 * len(ops) else set(
            chance.sample(range(len(ops)), max(1, wanted // 3)))
        for index, op in enumerate(ops):
            if op.call == "ack":
                acknowledged = op.place
            elif op.call == "unlink":
                disk.pop(op.name, None)
            elif op.call == "rename":
                renames.append(op)
            elif op.call == "fsync" and not op.name:
                disk, renames = renamed(disk, renames), []
            elif op.call in ("fsync", "fdatasync"):
                disk.setdefault(op.name, File()).sync()
            else:
                disk.setdefault(op.name, File()).waiting.append(op)
            if index not in picks:
                continue
            for kind in ("none", "all", *["random"] * every):
                # Of the renames that wait none, all, or the first few.
                moved = (chance.randint(0, len(renames)) if kind == "random" else
                         len(renames) * (kind == "all"))
                names = renamed(disk, renames[:moved])
                files = {name: file.image(kind, chance) for name, file in names.items()}
                said = judge(files, after, acknowledged, chance.random() < 0.1, damaged)
                count += 1
                doubted += said == "doubt"
                if said not in ("", "doubt"):
                    bad.append(f"call {index} ({op.call} {op.name}), {kind}: {said}")
        told |= {"images": count, "doubted": doubted, "bad": bad[:20], "lost": len(bad),
                 "dropped": dropped}
        return told


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--images", type=int, default=1000)
    parser.add_argument("--events", type=int, default=40)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--damaged", action="store_true")
    parser.add_argument("--backlog", type=int, default=0)
    parser.add_argument("--bound", type=int, default=0)
    asked = parser.parse_args()
    told = images(asked.events, asked.images, asked.seed, "--backlog", str(asked.backlog),
                  "--bound", str(asked.bound), damaged=asked.damaged)
    print(json.dumps(told, indent=2))
    sys.exit(1 if told["lost"] else 0)


if __name__ == "__main__":
    main()
