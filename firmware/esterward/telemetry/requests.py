"""Judges what arrives on the one request topic. Pure: no clock, no broker, no randomness.

The rules:
- one JSON object of at most MAX_BYTES, flat, no key twice, no key unknown, no NaN;
- never retained: a retained request is an old one that the broker repeats;
- id: the sender's, each once; nonce: one of the last two the controller published;
- only hold, acknowledge and observe exist from afar. There is no request that starts heat,
  raises a limit, resets a trip or clears the methanol flag, whatever its text says.

Memory is bounded and no replay slips through: the ids used under a nonce are remembered as
long as that nonce counts and forgotten with it, and a nonce takes at most IDS_PER_NONCE ids, and
KEPT_FOR_HOLDS more that are holds: what others ask for must not make a hold wait for a minute.

**A hold needs its nonce too.** It only reduces energy, so taking it on any terms would be
safe for the reactor, but a nonce does not keep enemies out (whoever may write may also read
it); it keeps *old messages* out: a hold that waited in a queue since yesterday evening would
stop tonight's batch with nobody there, and mixing lost half-way is lost. A fresh sender pays
nothing: the nonce is retained, and a refusal for its sake carries the present one, so the next
try succeeds at once. MQTT is no emergency stop: the button, the e-stop and the guard are.
"""

from __future__ import annotations

import json
import re
from dataclasses import dataclass, field
from math import isfinite
from typing import Any, Final

from esterward.values.requests import (
    ACKNOWLEDGE,
    FROM_AFAR,
    HOLD,
    OBSERVATIONS,
    OBSERVE,
    REMOTE_KINDS,
    Request,
)

MAX_BYTES: Final = 1024
IDS_PER_NONCE: Final = 64
KEPT_FOR_HOLDS: Final = 16
NONCES_KEPT: Final = 2
KEYS: Final = ("id", "nonce", "kind", "name", "value")

_ID = re.compile(r"[A-Za-z0-9._-]{1,64}\Z")
_NAME = re.compile(r"[A-Za-z0-9._-]{1,40}\Z")


@dataclass(frozen=True, slots=True)
class Refusal:
    """Why a request was not taken. id is "" when there was none to read.

    stale: it was refused for its nonce, so the answer should carry the present one.
    """

    id: str
    why: str
    stale: bool = False


class _Wrong(ValueError):
    """One sentence about what is wrong with the text of a request."""


@dataclass(slots=True)
class Requests:
    """What the judge remembers: the nonces that count and the ids used under each."""

    used: dict[str, set[str]] = field(default_factory=dict)

    @property
    def nonce(self) -> str:
        """The present nonce, "" before the first."""
        return next(reversed(self.used), "")

    def renew(self, nonce: str) -> None:
        """Take a new nonce; the oldest beyond NONCES_KEPT counts no more."""
        self.used[nonce] = set()
        while len(self.used) > NONCES_KEPT:
            del self.used[next(iter(self.used))]

    def judge(self, payload: bytes, retained: bool) -> Request | Refusal:
        """One message as a Request, or the reason why not. A refusal changes nothing."""
        request_id = ""
        try:
            if retained:
                raise _Wrong("it was retained, so it may be old; send it without retain")
            plain = _parse(payload)
            request_id = _id_of(plain)
            nonce = plain.get("nonce")
            if type(nonce) is not str or not nonce:
                return Refusal(request_id, "nonce is missing; copy it from remote/nonce", True)
            if nonce not in self.used:
                return Refusal(request_id, "nonce is too old or not ours; copy the present one "
                               "from remote/nonce and send again", True)
            if any(request_id in ids for ids in self.used.values()):
                raise _Wrong("this id was used before; every request needs a new id")
            request = _request(plain, request_id)
            if len(self.used[nonce]) >= room_for(request.kind, IDS_PER_NONCE):
                raise _Wrong(f"more than {IDS_PER_NONCE} requests under one nonce; "
                             "wait for the next nonce")
        except _Wrong as wrong:
            return Refusal(request_id, str(wrong))
        self.used[nonce].add(request_id)
        return request


def room_for(kind: str, limit: int) -> int:
    """The limit for a request of this kind: a hold finds room where the others fill theirs."""
    return limit + KEPT_FOR_HOLDS if kind == HOLD else limit


def _no_key_twice(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    plain: dict[str, Any] = {}
    for key, value in pairs:
        if key in plain:
            raise _Wrong(f"key {key[:40]!r} is there twice")
        plain[key] = value
    return plain


def _no_constant(text: str) -> Any:
    raise _Wrong(f"{text} is no number")


def _parse(payload: bytes) -> dict[str, Any]:
    if len(payload) > MAX_BYTES:
        raise _Wrong(f"longer than {MAX_BYTES} bytes")
    try:
        plain = json.loads(payload.decode("utf-8"), object_pairs_hook=_no_key_twice,
                           parse_constant=_no_constant)
    except _Wrong:
        raise
    except (ValueError, RecursionError):
        raise _Wrong('not JSON; write for example {"id": "a1", "nonce": "...", '
                     '"kind": "hold"}') from None
    if type(plain) is not dict:
        raise _Wrong("not a JSON object")
    for key, value in plain.items():
        if key not in KEYS:
            raise _Wrong(f"key {key[:40]!r} is not known; allowed: {', '.join(KEYS)}")
        if isinstance(value, dict | list):
            raise _Wrong(f"{key} holds more than one value; write plain text or a number")
    return plain


def _id_of(plain: dict[str, Any]) -> str:
    request_id = plain.get("id")
    if type(request_id) is not str or not _ID.match(request_id):
        raise _Wrong("id is missing or not 1 to 64 of letters, digits and . _ -")
    return request_id


def _request(plain: dict[str, Any], request_id: str) -> Request:
    kind = plain.get("kind")
    if type(kind) is not str or kind not in REMOTE_KINDS:
        raise _Wrong(f"kind must be one of {', '.join(REMOTE_KINDS)}; "
                     "anything else is done at the reactor")
    name = plain.get("name", "")
    if type(name) is not str or (name and not _NAME.match(name)):
        raise _Wrong("name must be text of at most 40 letters, digits and . _ -")
    if kind != OBSERVE and "value" in plain:
        raise _Wrong(f"{kind} takes no value")
    if kind == HOLD and name:
        raise _Wrong("hold takes no name")
    if kind in (HOLD, ACKNOWLEDGE):
        return Request(request_id, kind, "mqtt", name)
    if name not in FROM_AFAR:
        raise _Wrong(f"name must be one of {', '.join(FROM_AFAR)}")
    unit, lowest, highest, _ = OBSERVATIONS[name]
    value = plain.get("value")
    if type(value) not in (int, float):
        raise _Wrong(f"value must be a number in {unit}, without quotes or unit")
    try:
        number = float(value)  # type: ignore[arg-type]
    except OverflowError:
        number = float("inf")
    if not isfinite(number) or not lowest <= number <= highest:
        raise _Wrong(f"value must be {lowest:g} to {highest:g} {unit}")
    return Request(request_id, OBSERVE, "mqtt", name, number)


def answer(request_id: str, accepted: bool, why: str, nonce: str = "") -> str:
    """The answer as one JSON line; nonce only when the request was refused for its sake."""
    line: dict[str, Any] = {"id": request_id, "accepted": accepted, "why": why}
    if nonce:
        line["nonce"] = nonce
    return json.dumps(line, ensure_ascii=False, separators=(",", ":"))
