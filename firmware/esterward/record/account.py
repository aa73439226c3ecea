"""The account of a batch as data, from plain rows: what `record show --json` prints.

Pure: no file, no clock. Times are dated
by the wall clock where the record has any label of it; a label that came late (no clock at
the start) dates what happened before it in the same session, by the monotonic seconds.
"""

from __future__ import annotations

import json
from bisect import bisect_right
from collections.abc import Iterable, Sequence
from datetime import UTC, datetime
from typing import Any

from esterward.record.read import Document, Mark, Row
from esterward.record.rows import DROPPED
from esterward.values.requests import OBSERVATIONS

Account = dict[str, Any]
OilReading = tuple[int, float, float]  # session, now_s, degC
Moment = tuple[int, float]  # session, now_s


def batches(rows: Iterable[Row]) -> list[list[Row]]:
    """The rows of each batch: what led up to it, until it ended or another one began."""
    found: list[list[Row]] = []
    current: list[Row] = []
    started = False
    for row in rows:
        if row.event.kind == "batch_started" and started:
            found.append(current)
            current = []
        current.append(row)
        started = started or row.event.kind == "batch_started"
        if row.event.kind == "batch_ended":
            found.append(current)
            current, started = [], False
    if started or (current and not found):
        found.append(current)
    elif current:
        found[-1] += current
    return found


def account(number: int, rows: Sequence[Row], marks: Sequence[Mark] = (),
            documents: Sequence[Document] = (), oil: Sequence[OilReading] = (),
            sample: Moment | None = None, newest: bool = True) -> Account:
    """Everything there is to say about one batch; times in batch seconds and RFC 3339.

    sample: of the last tick in the trace; newest: no batch came after this one. A batch that has
    not ended lasted until that or a mark, not until its last event: a settling of hours has none.
    """
    dated = _Dates(rows, marks)
    starts, ends = _of(rows, "batch_started"), _of(rows, "batch_ended")
    states = [row.event.data["new"] for row in rows if row.event.kind == "state_changed"]
    sheet = _sheet(rows, ends or rows, documents)
    sessions = {row.session for row in rows}
    until = _last_moment(rows, marks, sample) if newest else _last_moment(rows, (), None)
    stages = _stages(rows, dated, oil, until)
    return {
        "number": number,
        "batch": starts[-1].event.data["batch"] if starts else None,
        "state": ends[-1].event.data["state"] if ends else (states[-1] if states else "idle"),
        "started": dated.at(starts[0]) if starts else None,
        "ended": dated.at(ends[-1]) if ends else None,
        "duration_s": _duration_s(rows, starts, ends, until),
        "sheet": sheet,
        "stages": stages,
        "observations": [_fields(row, dated) | {"unit": OBSERVATIONS.get(
            str(row.event.data.get("name")), ("",))[0]}
            for row in _of(rows, "observation")],
        "answers": _answers(rows, dated),
        "alarms": _alarms(rows, dated),
        "latches": _latches(rows, dated),
        "flag": [{"flag": row.event.kind.removeprefix("flag_")} | _fields(row, dated)
                 for row in _of(rows, "flag_set", "flag_cleared")],
        "checks": [_fields(row, dated) for row in _of(rows, "check_seen")],
        "states": [_fields(row, dated) for row in _of(rows, "state_changed")],
        "withheld": [_fields(row, dated) for row in _of(rows, "grant_withheld")],
        "refused": [_fields(row, dated) for row in _of(rows, "request_refused")],
        "learnt": [_fields(row, dated) for row in _of(rows, "vessel_learnt")],
        "notes": [_fields(row, dated) for row in _of(rows, "note")],
        "controller": _controller(marks, sessions, dated),
    }


def _last_moment(rows: Sequence[Row], marks: Sequence[Mark], sample: Moment | None) -> Moment:
    """The last that is known of the session of the last event."""
    if not rows:
        return 0, 0.0
    session, last_s, current = rows[-1].session, rows[-1].now_s, 0
    for mark in marks:
        current = mark.seq if mark.kind == "start" else current
        last_s = max(last_s, mark.now_s) if current == session else last_s
    if sample is not None and sample[0] == session:
        last_s = max(last_s, sample[1])
    return session, last_s


def _duration_s(rows: Sequence[Row], starts: Sequence[Row], ends: Sequence[Row],
                until: Moment) -> float:
    """Batch seconds. What came after the end counts from another zero, in a new start."""
    if ends:
        return ends[-1].event.at_s
    if not starts:
        return 0.0
    return round(rows[-1].event.at_s + until[1] - rows[-1].now_s, 3)


class _Dates:
    """Wall time of any row, from the last label of its session."""

    def __init__(self, rows: Sequence[Row], marks: Sequence[Mark]) -> None:
        self.offsets: dict[int, float] = {}
        session = 0
        for mark in marks:
            session = mark.seq if mark.kind == "start" else session
            self._take(session, mark.now_s, mark.wall_s)
        for row in rows:
            self._take(row.session, row.now_s, row.wall_s)

    def _take(self, session: int, now_s: float, wall_s: float | None) -> None:
        if wall_s is not None:
            self.offsets[session] = wall_s - now_s

    def at(self, row: Row) -> str | None:
        return self.moment(row.session, row.now_s)

    def moment(self, session: int, now_s: float) -> str | None:
        """RFC 3339 with this machine's offset, None when no clock was trusted."""
        offset = self.offsets.get(session)
        if offset is None:
            return None
        try:
            moment = datetime.fromtimestamp(now_s + offset, UTC).astimezone()
        except (OverflowError, ValueError, OSError):
            return None
        return moment.isoformat(timespec="seconds")


def _of(rows: Iterable[Row], *kinds: str) -> list[Row]:
    return [row for row in rows if row.event.kind in kinds]


def _fields(row: Row, dated: _Dates) -> Account:
    return {"at_s": row.event.at_s, "at": dated.at(row)} | row.event.data


def _sheet(rows: Sequence[Row], ends: Sequence[Row],
           documents: Sequence[Document]) -> Account | None:
    """The sheet of the start in which the last of ends was, and what the readings changed in it.

    A later start, with the file of the next batch, may have no event before that begins.
    """
    texts = [document.text for document in documents
             if document.name == "sheet" and ends and document.session <= ends[-1].session
             and document.number < ends[-1].event.number]
    plain: Any = None
    if texts:
        try:
            plain = json.loads(texts[-1])
        except ValueError:
            plain = None
    changes = _of(rows, "sheet_changed")
    if type(plain) is not dict:
        return {"changed": changes[-1].event.data} if changes else None
    return plain | {"changed": changes[-1].event.data if changes else None}


def _stages(rows: Sequence[Row], dated: _Dates, oil: Sequence[OilReading],
            until: Moment) -> list[Account]:
    stages: list[Account] = []
    opened: list[tuple[Row, Row | None]] = []
    for row in _of(rows, "stage_started", "stage_ended"):
        if row.event.kind == "stage_started":
            opened.append((row, None))
            continue
        for index in range(len(opened) - 1, -1, -1):
            start, end = opened[index]
            if end is None and start.event.data["stage"] == row.event.data["stage"]:
                opened[index] = (start, row)
                break
    places = [(session, now_s) for session, now_s, _ in oil]
    for start, end in opened:
        low = bisect_right(places, (start.session, start.now_s))
        high = bisect_right(places, (end.session, end.now_s) if end else until)
        seen = [c for _, _, c in oil[low:high]]
        stages.append({
            "stage": start.event.data["stage"], "repeat": start.event.data["repeat"],
            "started_s": start.event.at_s, "ended_s": None if end is None else end.event.at_s,
            "started": dated.at(start), "ended": None if end is None else dated.at(end),
            "outcome": None if end is None else end.event.data["outcome"],
            "oil_low_c": min(seen) if seen else None, "oil_high_c": max(seen) if seen else None,
        })
    return stages


def _answers(rows: Sequence[Row], dated: _Dates) -> list[Account]:
    texts: dict[object, object] = {}
    answers: list[Account] = []
    for row in _of(rows, "prompt_opened", "prompt_answered", "flag_cleared"):
        data = row.event.data
        if row.event.kind == "prompt_opened":
            texts[data["prompt"]] = data["text"]
        elif row.event.kind == "prompt_answered":
            answers.append(_fields(row, dated) | {"text": texts.get(data["prompt"], "")})
    return answers


def _alarms(rows: Sequence[Row], dated: _Dates) -> list[Account]:
    alarms: list[Account] = []
    for row in _of(rows, "alarm_raised", "alarm_acknowledged", "alarm_returned"):
        code, what = row.event.data["code"], row.event.kind.removeprefix("alarm_")
        if what == "raised":
            alarms.append(row.event.data | {
                "raised_s": row.event.at_s, "raised": dated.at(row), "acknowledged_s": None,
                "acknowledged": None, "returned_s": None, "returned": None})
            continue
        for alarm in reversed(alarms):
            if alarm["code"] == code:
                if alarm[f"{what}_s"] is None:
                    alarm[f"{what}_s"], alarm[what] = row.event.at_s, dated.at(row)
                break
    return alarms


def _latches(rows: Sequence[Row], dated: _Dates) -> list[Account]:
    """The controller's; the guard's with "guard: " before their code."""
    latches: list[Account] = []
    for row in _of(rows, "latched", "latch_reset", "guard_latched", "guard_reset"):
        data = row.event.data
        code = f"guard: {data['code']}" if row.event.kind.startswith("guard") else data["code"]
        if row.event.kind.endswith("latched"):
            latches.append({"first_out": False} | _fields(row, dated) | {
                "code": code, "reset_s": None, "reset": None, "resets": None})
            continue
        for latch in reversed(latches):
            if latch["code"] == code and latch["reset_s"] is None:
                latch |= {"reset_s": row.event.at_s, "reset": dated.at(row),
                          "resets": data["resets"]}
                break
    return latches


def _controller(marks: Sequence[Mark], sessions: set[int], dated: _Dates) -> list[Account]:
    """Starts, stops and troubles of the controller while this batch was in its hands."""
    told: list[Account] = []
    session, before = 0, "stop"
    for mark in marks:
        if mark.kind == "start":
            session = mark.seq
        if session in sessions:
            clean = before == "stop" if mark.kind == "start" else None
            told.append({"what": mark.kind, "at": dated.moment(session, mark.now_s),
                         "clean": clean, "text": "" if mark.kind == DROPPED else mark.text})
        before = mark.kind if mark.kind in ("start", "stop") else before
    return told


def dates(rows: Sequence[Row], marks: Sequence[Mark]) -> list[str | None]:
    """RFC 3339 of every row, None where no clock was trusted."""
    dated = _Dates(rows, marks)
    return [dated.at(row) for row in rows]
