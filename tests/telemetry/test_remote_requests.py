"""The rules of the request topic, without a broker: each refusal with its reason."""

from __future__ import annotations

import json
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from esterward.telemetry.link import reply_allowed
from esterward.telemetry.requests import (
    IDS_PER_NONCE,
    KEPT_FOR_HOLDS,
    MAX_BYTES,
    Refusal,
    Requests,
    answer,
)
from esterward.values.requests import AT_THE_MACHINE, OBSERVATIONS, REMOTE_KINDS, Request


@pytest.fixture
def judge() -> Requests:
    requests = Requests()
    requests.renew("n1")
    return requests


def text(**changes: Any) -> bytes:
    plain = {"id": "a1", "nonce": "n1", "kind": "hold", **changes}
    return json.dumps({k: v for k, v in plain.items() if v is not ...}).encode()


OBSERVED = {"kind": "observe", "name": "titration_ml", "value": 3.0}


def refused(judge: Requests, payload: bytes, reason: str, retained: bool = False) -> Refusal:
    """The refusal; asserts its reason and that nothing is remembered of the request."""
    before = {nonce: set(ids) for nonce, ids in judge.used.items()}
    found = judge.judge(payload, retained)
    assert isinstance(found, Refusal), found
    assert reason in found.why, found.why
    assert judge.used == before
    return found


def test_a_hold_an_acknowledgement_and_an_observation_are_taken(judge: Requests) -> None:
    assert judge.judge(text(), False) == Request("a1", "hold", "mqtt")
    assert judge.judge(text(id="a2", kind="acknowledge", name="F-12"), False) == Request(
        "a2", "acknowledge", "mqtt", "F-12")
    assert judge.judge(text(id="a3", **OBSERVED), False) == Request(
        "a3", "observe", "mqtt", "titration_ml", 3.0)


def test_every_observation_is_taken_at_its_limits_and_refused_outside(judge: Requests) -> None:
    for number, (name, (unit, lowest, highest, _)) in enumerate(OBSERVATIONS.items()):
        if name in AT_THE_MACHINE:
            refused(judge, text(id=f"{number}-m", value=lowest, kind="observe", name=name), "name")
            continue
        observed = {"kind": "observe", "name": name}
        for end, value in enumerate((lowest, highest)):
            found = judge.judge(text(id=f"{number}-{end}", value=value, **observed), False)
            assert isinstance(found, Request) and found.value == value
        for value in (lowest - 0.001, highest + 0.001):
            refused(judge, text(id=f"{number}-x", value=value, **observed), unit)


def test_a_retained_request_is_refused_because_it_may_be_old(judge: Requests) -> None:
    refused(judge, text(), "retained", retained=True)
    assert isinstance(judge.judge(text(), False), Request)


def test_an_id_counts_once_also_under_the_next_nonce(judge: Requests) -> None:
    assert isinstance(judge.judge(text(), False), Request)
    refused(judge, text(), "used before")
    judge.renew("n2")
    refused(judge, text(nonce="n2"), "used before")


def test_the_last_two_nonces_count_and_older_ones_do_not(judge: Requests) -> None:
    judge.renew("n2")
    assert isinstance(judge.judge(text(nonce="n1"), False), Request)
    judge.renew("n3")
    found = refused(judge, text(id="a9", nonce="n1"), "too old")
    assert found.stale and judge.nonce == "n3"
    assert isinstance(judge.judge(text(id="a9", nonce="n2"), False), Request)


@pytest.mark.parametrize("nonce", [..., None, "", 5, True])
@pytest.mark.parametrize("kind", REMOTE_KINDS)
def test_no_kind_is_taken_without_a_nonce(judge: Requests, kind: str, nonce: Any) -> None:
    assert refused(judge, text(kind=kind, nonce=nonce), "nonce").stale


def test_memory_stays_bounded_and_forgets_no_id_while_its_nonce_counts(judge: Requests) -> None:
    for number in range(IDS_PER_NONCE):
        assert isinstance(judge.judge(text(id=f"i{number}", kind="acknowledge"), False), Request)
    refused(judge, text(id="one-more", kind="acknowledge"), "wait for the next nonce")
    for number in range(KEPT_FOR_HOLDS):  # none of them makes a hold wait
        assert isinstance(judge.judge(text(id=f"h{number}"), False), Request)
    refused(judge, text(id="one-more"), "wait for the next nonce")
    for number in range(50):
        judge.renew(f"m{number}")
    assert len(judge.used) == 2


@pytest.mark.parametrize(("payload", "reason"), [
    (b"", "not JSON"),
    (b"hold", "not JSON"),
    (b"\xff\xfe", "not JSON"),
    (b"[1]", "not a JSON object"),
    (b"[" * 1000, "not JSON"),
    (b'{"id":"a","id":"b"}', "twice"),
    (b'{"id":"a1","nonce":"n1","kind":"hold","power":1}', "'power' is not known"),
    (b'{"id":"a1","nonce":"n1","kind":"hold","name":{"x":1}}', "more than one value"),
    (b'{"id":"a1","nonce":"n1","kind":"observe","name":"wash_ph","value":[3]}', "more than one"),
    (b'{"id":"a1","nonce":"n1","kind":"observe","name":"wash_ph","value":NaN}', "NaN is no number"),
    (b'{"id":"a1","nonce":"n1","kind":"observe","name":"wash_ph","value":1e999}', "0 to 14 pH"),
    (b'{"id":"a1","nonce":"n1","kind":"observe","name":"wash_ph","value":1' + b"0" * 400 + b"}",
     "0 to 14 pH"),
    (b'{"id":"' + b"a" * MAX_BYTES + b'"}', "longer than"),
    (text(id=...), "id is missing"),
    (text(id=7), "id is missing"),
    (text(id="a b"), "id is missing"),
    (text(id="\ud800"), "id is missing"),
    (text(kind=...), "kind must be one of"),
    (text(kind="start"), "kind must be one of"),
    (text(kind="reset"), "done at the reactor"),
    (text(name="x"), "hold takes no name"),
    (text(value=1), "hold takes no value"),
    (text(kind="acknowledge", name="F 12"), "name must be text"),
    (text(kind="acknowledge", name=3), "name must be text"),
    (text(kind="observe", value=3.0), "name must be one of"),
    (text(kind="observe", name="setpoint_c", value=60), "name must be one of"),
    (text(kind="observe", name="oil_l", value=100.0), "name must be one of"),
    (text(kind="observe", name="wash_ph"), "must be a number in pH"),
    (text(kind="observe", name="wash_ph", value="120 L"), "must be a number in pH"),
    (text(kind="observe", name="wash_ph", value=True), "must be a number in pH"),
    (text(kind="observe", name="wash_ph", value=None), "must be a number in pH"),
])
def test_what_is_wrong_with_a_request_is_said_and_nothing_is_remembered(
        judge: Requests, payload: bytes, reason: str) -> None:
    refused(judge, payload, reason)


json_like = st.recursive(
    st.one_of(st.none(), st.booleans(), st.floats(), st.integers(), st.text(max_size=8)),
    lambda inner: st.one_of(st.lists(inner, max_size=3),
                            st.dictionaries(st.text(max_size=8), inner, max_size=3)),
    max_leaves=8)


@given(st.one_of(
    st.binary(max_size=200),
    st.dictionaries(st.sampled_from(["id", "nonce", "kind", "name", "value", "x"]), json_like)
      .map(lambda plain: json.dumps(plain).encode())))
def test_nothing_that_can_be_sent_raises_and_only_remote_kinds_come_out(payload: bytes) -> None:
    requests = Requests()
    requests.renew("n1")
    found = requests.judge(payload, False)
    assert isinstance(found, Refusal) or found.kind in REMOTE_KINDS
    json.loads(answer(found.id, False, getattr(found, "why", "")))


def test_an_answer_may_not_be_sent_where_others_would_believe_it() -> None:
    assert reply_allowed("phone/answers")
    for topic in ("", "homie/5/reactor-7/$state", "homeassistant/x", "$SYS/x", "a/#", "a/+/b",
                  "a" * 201, "a\x00b"):
        assert not reply_allowed(topic)
