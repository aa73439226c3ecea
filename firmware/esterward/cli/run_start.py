"""What `esterward run` starts with: the files, what the record holds, and the controller of it.

An unfinished batch is taken up from its last saved state and nothing else may be loaded over
it. What cannot be believed is never guessed: the batch is held with the methanol flag set.
"""

from __future__ import annotations

import json
import subprocess
import sys
import tomllib
from contextlib import suppress
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, Final

from esterward.cli.errors import NotNow, Refused
from esterward.process import learnt
from esterward.process.mixing import MIXING_STEPS, doubt
from esterward.process.state import ProcessState
from esterward.record.read import newest, read_documents
from esterward.record.resume import NOTHING, Found
from esterward.record.schema import BadRecord
from esterward.safety import limits
from esterward.safety.state import SafetyState
from esterward.state import ControllerState, state_of
from esterward.tick import Controller
from esterward.values.batch import Batch
from esterward.values.plain import from_plain as build
from esterward.values.plain import to_plain
from esterward.values.reactor import Reactor

BATCH_TEXT, REACTOR_TEXT, SHEET_TEXT = "batch.toml", "reactor.toml", "sheet"
NO_BATCH: Final = Batch(name="no batch")
READ: Final = "import sys; from esterward.cli.run_start import answer; answer(sys.argv[1])"
UNTOLD: Final = "the last start ended before it stored a word"
SERVICE_REACTOR: Final = Path("/etc/esterward/reactor.toml")


@dataclass(frozen=True, slots=True)
class Files:
    """What the files say. recorded: the batch kept with the record, None when there is none
    or, for the reason recorded_why, it cannot be read."""

    reactor: Reactor
    batch: Batch | None
    recorded: Batch | None
    recorded_why: str
    texts: dict[str, str]


def reactor_path(asked: Path | None, batch: Path | None) -> Path:
    """The reactor file meant: the one named, beside the batch, here, or that of the service."""
    from esterward.settings.files import reactor_beside

    beside = reactor_beside(batch) if batch is not None else None
    here = Path("reactor.toml")
    return asked or beside or (here if here.is_file() or not SERVICE_REACTOR.is_file()
                               else SERVICE_REACTOR)


def load(asked_reactor: Path | None, batch: Path | None, record: Path) -> Files:
    """Read and check the files; Refused with every mistake at once, NotNow when that broke off.

    In a process of its own that ends: the libraries that check settings would stay resident
    for the whole batch (about 35 MB of the 60 a controller may have).
    """
    asked = json.dumps([None if path is None else str(path)
                        for path in (asked_reactor, batch, record)])
    done = subprocess.run([sys.executable, "-c", READ, asked], stdout=subprocess.PIPE,
                          text=True, encoding="utf-8", check=False)
    if done.returncode:
        raise NotNow(f"esterward run: the process that reads the files ended early (exit code "
                     f"{done.returncode}), for want of memory or by a mistake of the program; what "
                     "it said stands above.")
    plain = json.loads(done.stdout)
    if "mistakes" in plain:
        raise Refused(*plain["mistakes"])
    plan, recorded = (None if plain[name] is None else build(Batch, plain[name])
                      for name in ("batch", "recorded"))
    return Files(build(Reactor, plain["reactor"]), plan, recorded, plain["why"], plain["texts"])


def answer(asked: str) -> None:
    """What the process of load() does."""
    reactor, batch, record = (None if path is None else Path(path) for path in json.loads(asked))
    assert record is not None
    print(json.dumps(_load(reactor, batch, record)))


def _load(asked_reactor: Path | None, batch: Path | None, record: Path) -> dict[str, Any]:
    from esterward.settings.files import load_pair, load_reactor
    from esterward.settings.mistakes import SettingsError

    path = reactor_path(asked_reactor, batch)
    plan: Batch | None = None
    try:
        if batch is not None:
            plan, _ = load_pair(batch, path)
        reactor = load_reactor(path)
        texts = {REACTOR_TEXT: path.read_text(encoding="utf-8-sig")}
        if batch is not None:
            texts[BATCH_TEXT] = batch.read_text(encoding="utf-8-sig")
    except SettingsError as error:
        return {"mistakes": error.mistakes}
    recorded, why = None, "the record holds no batch file"
    with suppress(BadRecord):
        kept = [document.text for document in read_documents(record)
                if document.name == BATCH_TEXT]
        if kept:
            try:  # no file in between: the disk may be full
                recorded, why = load_pair(BATCH_TEXT, path,
                                          batch_raw=tomllib.loads(kept[-1]))[0], ""
            except SettingsError as error:
                why = " ".join(error.mistakes).replace(f"{BATCH_TEXT}: ", "")
            except (ValueError, RecursionError) as error:
                why = f"its batch file is not valid TOML ({error})"
    return {"reactor": to_plain(reactor), "batch": to_plain(plan),
            "recorded": to_plain(recorded), "why": why, "texts": texts}


def controller_of(files: Files, found: Found, batch_path: Path | None,
                  told: object = None) -> Controller:
    """The controller that goes on from what was found; Refused when --batch does not fit.

    told: what an earlier batch learnt of the vessel, as the record has it.
    """
    state, lost_why = _state_of(found)
    if files.reactor.rig_level == "watch":  # no button is read there that could reset or end it
        state.safety.latches.clear()
        lost_why = ""
    unfinished = state.process.under_way
    batch = files.batch
    if unfinished:
        batch = _unfinished(files, state, batch_path)
        state.process.stood_still(found.outage_s)
    elif state.process.state != "idle" or not _same(batch, files.recorded):
        state = _next(state)
    if lost_why and batch is None:
        batch = files.recorded
    if lost_why and batch is not None:
        state.process.state = "held"
        # Nobody knows how far it was: no question may say that nothing was poured.
        state.process.methanol_in = state.process.lost = True
        state.process.why = lost_why
    controller = Controller(files.reactor, batch or NO_BATCH, state)
    if state.process.state == "idle":
        controller.process.take_learnt(told)
    controller.restarted(_why(found, state.process.step), found.last_number)
    controller.state.safety.unclean_starts = found.unclean_starts
    controller.state.safety.past_lost = bool(lost_why) and lost_why != UNTOLD
    return controller


def _state_of(found: Found) -> tuple[ControllerState, str]:
    """The saved state, or a new one (flag set) with the reason why the saved is not believed."""
    if found.checkpoint is None:
        begun = bool(found.last_number or found.renamed) or not found.clean
        why = UNTOLD if found.why == NOTHING.why else found.why
        return ControllerState(), why if begun else ""
    try:
        state = state_of(json.loads(found.checkpoint))
        Controller(Reactor(), Batch(), state)  # checked in the same way that it will be used
        return state, ""
    except (ValueError, TypeError, KeyError, AttributeError, RecursionError) as error:
        return ControllerState(), f"the saved state cannot be used ({error})"[:200]


def _unfinished(files: Files, state: ControllerState, path: Path | None) -> Batch:
    asked, recorded = files.batch, files.recorded
    if recorded is None and asked is None:
        raise Refused(f"esterward run: an unfinished batch is in the record, but "
                      f"{files.recorded_why}; name its file with --batch.")
    if asked is not None and recorded is not None and not _same(asked, recorded):
        raise Refused(
            f"--batch {path}: the batch {recorded.name!r} is not finished ({state.process.state} "
            f"in {state.process.step.partition('.')[0]}); leave --batch away to go on with it, "
            "or end it first: hold black 5 s at the reactor.")
    chosen = recorded if recorded is not None else asked
    assert chosen is not None
    return chosen


def _same(one: Batch | None, other: Batch | None) -> bool:
    """The same numbers; comments and order in the file do not matter."""
    if one is None or other is None:
        return one is other
    return replace(one, digest="") == replace(other, digest="")


def _next(old: ControllerState) -> ControllerState:
    """A new batch: it keeps what belongs to the reactor (flag, latches, start checks).

    A latch keeps its alarm, so that it is told, and a lock-out stays one. Other resets are counted
    for one batch.
    """
    was = old.safety
    return ControllerState(
        ticks=old.ticks, last_event=old.last_event, flag=old.flag,
        safety=SafetyState(
            latches=list(was.latches), vapour_rest_s=was.vapour_rest_s,
            resets={code: count for code, count in was.resets.items()
                    if code in was.latches and count >= limits.RESETS_ALLOWED},
            guard_latches=was.guard_latches, guard_over=was.guard_over,
            guard_resets={code: count for code, count in was.guard_resets.items()
                          if code in was.guard_over},
            alarms={code: was.alarms[code] for code in was.latches if code in was.alarms}),
        process=ProcessState(checks=old.process.checks))


def learnt_of(record: Path) -> object:
    """The last lesson about this vessel in the record, unchecked; None for none."""
    with suppress(BadRecord):
        return newest(record, learnt.EVENT)
    return None


def _why(found: Found, step: str) -> str:
    why = ("the controller was stopped and started again" if found.clean else
           "the controller ended without a clean stop: power, crash or kill")
    stood = doubt(found.outage_s) if step in MIXING_STEPS else ""
    return f"{why}; {stood}" if stood else why
