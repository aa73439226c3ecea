"""esterward ceiling."""

from __future__ import annotations

import json
from collections.abc import Callable
from typing import Any

import pytest

from esterward.chemistry import boiling

KEYS = {"altitude_m", "pressure_kpa", "p_eff_kpa", "boiling_c", "setpoint_max_c", "alarm_c",
        "trip_c", "guard_trip_c"}


def test_json_has_the_keys_others_rely_on(run: Callable[..., Any]) -> None:
    ran = run("ceiling", "--altitude", "1120 m", "--json")
    plain = json.loads(ran.out)
    assert ran.code == 0 and ran.err == ""
    assert set(plain) >= KEYS
    # U.S. Standard Atmosphere 1976 at 1120 m: 88.58 kPa (fluids 1.3.1, run by hand).
    assert plain["pressure_kpa"] == pytest.approx(88.58, abs=0.01)
    assert plain["p_eff_kpa"] == pytest.approx(plain["pressure_kpa"] - 3.5)
    expected = boiling.limits(1120.0)
    assert plain["setpoint_max_c"] == pytest.approx(expected.setpoint_max_c, abs=1e-4)


def test_a_barometer_moves_boiling_point_and_limits(run: Callable[..., Any]) -> None:
    ran = run("ceiling", "--altitude", "3675 ft", "--pressure", "860 hPa", "--json")
    plain = json.loads(ran.out)
    assert plain["altitude_m"] == pytest.approx(1120.14)
    assert (plain["pressure_kpa"], plain["p_eff_kpa"]) == (86.0, 85.0)
    assert plain["alarm_c"] - plain["setpoint_max_c"] == pytest.approx(1.0)


def test_the_page_gives_the_limits_and_the_reason(run: Callable[..., Any]) -> None:
    ran = run("ceiling", "--altitude", "1120 m")
    assert ran.code == 0 and ran.err == ""
    for part in ("55.1 degC", "61.2 degC", "Why:", "3.5 kPa lower", "cut-out", "5, 4, 3 and 2 K"):
        assert part in ran.out
    assert max(map(len, ran.out.splitlines())) <= 80


def test_a_printed_limit_is_never_above_the_limit(run: Callable[..., Any]) -> None:
    for metres in range(0, 4001, 37):
        out = run("ceiling", "--altitude", f"{metres} m").out
        row = next(line for line in out.splitlines() if "highest setpoint" in line)
        printed = float(row.split()[2])
        assert 0.0 <= boiling.limits(float(metres)).setpoint_max_c - printed < 0.1 + 1e-6


def test_fahrenheit_is_shown_when_it_is_wanted(run: Callable[..., Any]) -> None:
    out = run("ceiling", "--altitude", "1120 m", "--temperature", "degF").out
    assert "131.3 degF" in out and "degC" not in out


@pytest.mark.parametrize("text", ["860 hPa", "0.86 bar", "860 mbar", "86000 Pa"])
def test_a_pressure_may_be_given_in_the_units_of_barometers(
    text: str, run: Callable[..., Any]
) -> None:
    plain = json.loads(run("ceiling", "--altitude", "1.12 km", "--pressure", text, "--json").out)
    assert (plain["altitude_m"], plain["pressure_kpa"]) == (1120.0, 86.0)


def test_the_reason_and_the_table_are_in_degrees_fahrenheit_too(run: Callable[..., Any]) -> None:
    why = " ".join(run("ceiling", "--altitude", "0 m", "--temperature", "degF").out.split())
    # 5, 4, 3 and 2 K times 1.8.
    assert "stay 9, 7.2, 5.4 and 3.6 degF below" in why
    table = run("ceiling", "--altitudes", "--temperature", "degF").out
    assert "degC" not in table and max(map(len, table.splitlines())) <= 80


def test_sea_level_pressure_on_a_mountain_is_a_warning(run: Callable[..., Any]) -> None:
    ran = run("ceiling", "--altitude", "1120 m", "--pressure", "101.3 kPa")
    assert ran.code == 0
    assert ran.err.startswith("warning: ") and "station pressure" in ran.err
    plain = json.loads(run("ceiling", "--altitude", "1120 m", "--pressure", "101.3 kPa",
                           "--json").out)
    assert len(plain["warnings"]) == 1
    # Not believed: exactly the limits without a barometer, and no word of 64.5 degC.
    none = json.loads(run("ceiling", "--altitude", "1120 m", "--json").out)
    assert plain | {"warnings": []} == none
    assert "cannot be" in ran.out and "64.5" not in ran.out
    low = run("ceiling", "--altitude", "1120 m", "--pressure", "80 kPa")
    assert "The lower pressure counts" in low.err


def test_the_altitude_is_shown_as_it_was_typed(run: Callable[..., Any]) -> None:
    assert run("ceiling", "--altitude", "3675 ft").out.startswith("At 3675 ft (1120 m), while")
    assert run("ceiling", "--altitude", "1120.5 m").out.startswith("At 1120.5 m, while")


def test_the_table_falls_with_altitude(run: Callable[..., Any]) -> None:
    rows = json.loads(run("ceiling", "--altitudes", "--json").out)["altitudes"]
    ceilings = [row["alarm_c"] for row in rows]
    assert ceilings == sorted(ceilings, reverse=True) and len(rows) > 10
    out = run("ceiling", "--altitudes").out
    assert max(map(len, out.splitlines())) <= 80 and "4000 m" in out


@pytest.mark.parametrize(("args", "parts"), [
    (("--altitude", "1120"), ["the unit is missing"]),
    (("--altitude", "1,120 m"), ['comma is not allowed in a number; allowed is -430 m to 5000 m; '
                                 'write "1120 m".']),
    (("--altitude", "1.120 m"), ['for thousands; allowed is -430 m to 5000 m; write "1120 m", or '
                                 '"1.12 m" if that is meant.']),
    (("--altitude", "3.675 ft"), ['write "3675 ft", or "3.67 ft" if that is meant.']),
    (("--altitude", "1,12 km"), ['write "1.12 km"']),
    (("--altitude", "nan m"), ["not a number"]),
    (("--altitude", "1e3 m"), ['write for example "1120 m".']),
    (("--altitude", "55 C"), ['"C" is not a unit of altitude']),
    (("--altitude", "9 km"), ["out of range"]),
    (("--altitude", "\u2212100 m"), ['write "-100 m"']),
    (("--altitude", "9" * 5000 + " m"), ["too long"]),
    (("--altitude", "1120 m", "--pressure", "1013"), ['write "1013 hPa" if hPa is meant']),
    (("--altitude", "1120 m", "--pressure", "12.8 psi"), ["kPa, hPa, bar, Pa, inHg or mmHg"]),
    (("--altitude", "9000 m"), ["-430 m to 5000 m"]),
    (("--altitude", "1120 kg"), ["unit of mass"]),
    (("--altitude", "x", "--pressure", "86"), ["--altitude", "--pressure"]),
    (("--altitude", "1120 m", "--pressure", "0.86 kPa"), ["50 kPa to 110 kPa"]),
    (("--pressure", "86 kPa"), ["the altitude is missing"]),
    ((), ["the altitude is missing"]),
    (("--altitudes", "--altitude", "1120 m"), ["a table of its own"]),
])
def test_bad_input_is_one_sentence_a_mistake(
    args: tuple[str, ...], parts: list[str], run: Callable[..., Any]
) -> None:
    ran = run("ceiling", *args)
    assert ran.code == 2 and ran.out == ""
    lines = ran.err.splitlines()
    assert len(lines) == len(parts)
    assert all(part in line for part, line in zip(parts, lines, strict=True))
