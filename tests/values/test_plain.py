"""The plain form of states: back to the same, and nothing half understood."""

from __future__ import annotations

import json

import pytest

from esterward.state import ControllerState
from esterward.values.plain import from_plain, to_plain
from harness import Bench


def test_a_controller_state_comes_back_the_same() -> None:
    bench = Bench()
    bench.to_heating()
    bench.override["estop_closed"] = False
    bench.ticks(3)
    whole = json.loads(json.dumps(bench.controller.to_plain()))
    assert from_plain(ControllerState, whole) == bench.controller.state


def test_a_missing_or_an_extra_field_is_refused() -> None:
    whole = to_plain(ControllerState())
    del whole["flag"]
    with pytest.raises(ValueError, match="flag"):
        from_plain(ControllerState, whole)
    whole = to_plain(ControllerState()) | {"surprise": 1}
    with pytest.raises(ValueError, match="surprise"):
        from_plain(ControllerState, whole)


@pytest.mark.parametrize("wrong", ["1", None, [], True, 1.5])
def test_a_wrong_type_is_refused(wrong: object) -> None:
    whole = to_plain(ControllerState())
    whole["ticks"] = wrong
    with pytest.raises(ValueError, match="expected"):
        from_plain(ControllerState, whole)


def test_a_refusal_names_the_place_and_what_was_expected_in_plain_words() -> None:
    whole = to_plain(ControllerState())
    whole["safety"]["probe_a"]["good_c"] = "warm"
    with pytest.raises(ValueError, match="safety: probe_a: good_c: a number or nothing was "
                                         "expected, not 'warm'"):
        from_plain(ControllerState, whole)


def test_what_has_no_plain_form_is_refused() -> None:
    with pytest.raises(TypeError, match="checkpoint"):
        to_plain({"a": object()})
