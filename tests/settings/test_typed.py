"""Observations and options as somebody types them."""

from __future__ import annotations

import pytest

from esterward import settings
from esterward.settings.mistakes import SettingsError
from esterward.settings.typed import EXAMPLES, KIND_OF_UNIT, NAMES, observation, typed
from esterward.settings.units import ALTITUDE
from esterward.values.requests import OBSERVATIONS


@pytest.mark.parametrize(("text", "expected"), [
    ("titration 3.0 mL", ("titration_ml", 3.0)),
    ("titration_ml 3.0 mL", ("titration_ml", 3.0)),
    ("  oil   32 gal_us ", ("oil_l", 121.133177)),
    ("catalyst 1.29 kg", ("catalyst_g", 1290.0)),
    ("methoxide 95 degF", ("methoxide_c", 35.0)),
    ("wash 7.2 pH", ("wash_ph", 7.2)),
    ("soap 40 mg/kg", ("soap_ppm", 40.0)),
])
def test_an_observation_is_its_name_and_number(text: str, expected: tuple[str, float]) -> None:
    name, value = settings.observation(text)
    assert name == expected[0]
    assert value == pytest.approx(expected[1])


def test_every_observation_can_be_typed() -> None:
    assert set(NAMES.values()) == set(OBSERVATIONS)
    assert set(EXAMPLES) == set(OBSERVATIONS)
    for name, text in EXAMPLES.items():
        assert observation(f"{name} {text}")[0] == name
    for unit, lowest, highest, _ in OBSERVATIONS.values():
        assert lowest < highest
        assert unit in KIND_OF_UNIT


@pytest.mark.parametrize(("text", "parts"), [
    ("titration 3,0 mL", ["point, not a comma", '"titration 3.0 mL"']),
    ("titration 3.0", ["the unit is missing", '"titration 3.0 mL"']),
    ("titration nan mL", ["not a number"]),
    ("titration 21 mL", ["0 mL to 20 mL; write for example \"titration 3.0 mL\"."]),
    ("oil -5 L", ["negative", "1 L to 1000 L; write for example \"oil 120 L\"."]),
    ("titraton 3 mL", ['did you mean "titration"?']),
    ("glycerol 17 kg", ["unit of mass", '"glycerol 17 L"']),
    ("methanol 24", ["the unit is missing", '"methanol 24 L"']),
    ("methanol", ["it is empty", '"methanol 24.0 L"']),
    ("catalyst", ["it is empty", '"catalyst 1293 g"']),
    ("unreacted x", ['"unreacted 0.2 mL"']),
    ("methoxide", ["it is empty", '"methoxide 30 degC"']),
    ("methoxide 95 F", ["not read as a unit of temperature", '"methoxide 95 degF"']),
    ("methanol 6 gal", ['"methanol 6 gal_us" (3.785 L) or "methanol 6 gal_imp"']),
    ("soap 1.200 mg/kg", ['"soap 1200 mg/kg", or "soap 1.2 mg/kg" if that is meant']),
    ("temperature 55 degC", ["it is one of titration, oil"]),
    ("", ["it is one of titration, oil"]),
    ("oil", ["it is empty", '"oil 120 L"']),
    ("\x1b[31m 3 mL", ["\\u001b"]),
])
def test_a_bad_observation_is_one_sentence(text: str, parts: list[str]) -> None:
    with pytest.raises(SettingsError) as caught:
        observation(text)
    (sentence,) = caught.value.mistakes
    assert all(part in sentence for part in parts), sentence
    assert sentence.isprintable()


def test_a_bad_option_names_the_option_and_its_range() -> None:
    with pytest.raises(SettingsError) as caught:
        typed("--altitude", "1120", ALTITUDE, -430.0, 5000.0)
    assert caught.value.mistakes == (
        '--altitude "1120": the unit is missing (m, km or ft); allowed is -430 m to 5000 m; '
        'write "1120 m" if m is meant.',)
