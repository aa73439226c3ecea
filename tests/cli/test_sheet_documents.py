"""What the documents show as output is what the commands print today."""

from __future__ import annotations

import re
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

ROOT = Path(__file__).parents[2]


def shown(name: str) -> list[str]:
    """The blocks of output in a document."""
    return re.findall(r"```text\n(.*?)```", (ROOT / "docs" / name).read_text("utf-8"), re.DOTALL)


def test_the_table_of_altitudes_is_the_commands(run: Callable[..., Any]) -> None:
    (table,) = shown("explanation/ceiling.md")
    assert table == run("ceiling", "--altitudes").out


def test_the_margins_in_the_explanation_are_those_of_the_code() -> None:
    from esterward.chemistry import boiling

    text = (ROOT / "docs" / "explanation" / "ceiling.md").read_text("utf-8")
    for name, margin in (("highest setpoint", boiling.SETPOINT_MARGIN_K),
                         ("ceiling (alarm)", boiling.ALARM_MARGIN_K),
                         ("controller trip", boiling.TRIP_MARGIN_K),
                         ("guard trip", boiling.GUARD_TRIP_MARGIN_K)):
        assert f"| {name} | {margin:g} K |" in text
    for limit_f, altitude in ((145.0, 590), (140.0, 1510), (135.0, 2420), (130.0, 3340)):
        boils_c = boiling.boiling_point_c(boiling.standard_pressure_kpa(altitude))
        assert boils_c == pytest.approx((limit_f - 32.0) / 1.8, abs=0.03)
        assert f"{altitude:,} m" in text


def test_the_batch_sheet_in_the_how_to_is_the_commands(
    run: Callable[..., Any], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(ROOT)
    sheet, check = shown("how-to/batch-sheet.md")
    assert sheet == run("sheet", "firmware/config/batch.toml").out
    command, _, out = check.partition("\n")
    assert command.startswith("$ esterward sheet ")
    assert out == run("sheet", "firmware/config/batch.toml", "--check",
                      "conversion: layer 0.2 mL").out
