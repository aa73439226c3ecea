"""Every number the two files allow can be worked with: no formula refuses it, nothing is NaN."""

from __future__ import annotations

import json
from typing import Any

import pytest
from hypothesis import HealthCheck, event, given, settings
from hypothesis import strategies as st
from pydantic import BaseModel

from esterward.chemistry.jar import ladder
from esterward.chemistry.sheet import batch_sheet, sheet_json
from esterward.cli.sheet_print import text_page, text_working
from esterward.cli.sheet_rows import batch_sections, jar_sections
from esterward.cli.sheet_working import working
from esterward.settings import files
from esterward.settings.fields import Number, Word
from esterward.settings.keys import BatchFile, ReactorFile
from esterward.settings.mistakes import SettingsError
from esterward.settings.quantity import convert, wording

NEEDED = {"volume", "power", "kind", "purity"}


def number(field: Number) -> st.SearchStrategy[str]:
    """Text in the kind's first unit, often exactly at an end of the range."""
    spelling, unit = next(iter(field.kind.units.items()))
    ends = [convert(end, field.kind.core, unit) for end in (field.lowest, field.highest)]
    return st.one_of(st.sampled_from(ends), st.floats(*ends)).map(
        lambda value: f"{value:.9f} {spelling}")


def section(model: type[BaseModel], rows: bool = False) -> st.SearchStrategy[dict[str, Any]]:
    must, may = {}, {}
    for key, field in model.model_fields.items():
        for item in field.metadata:
            if isinstance(item, Number):
                (must if rows or key in NEEDED else may)[key] = number(item)
            elif isinstance(item, Word):
                (must if rows or key in NEEDED else may)[key] = st.sampled_from(item.words)
    return st.fixed_dictionaries(must, optional=may)


def whole(model: type[BaseModel]) -> st.SearchStrategy[dict[str, Any]]:
    return st.fixed_dictionaries({
        name: section(type(field.default)) for name, field in model.model_fields.items()
        if isinstance(field.default, BaseModel)})


BATCHES = whole(BatchFile)
REACTORS = whole(ReactorFile)
READINGS = st.lists(number(Number(
    BatchFile.model_fields["titration"].default.__class__.model_fields["blank"].metadata[0].kind,
    0.0, 20.0)), max_size=4)


@settings(max_examples=200, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(BATCHES, REACTORS, READINGS, st.booleans())
def test_every_number_the_files_allow_makes_a_sheet(
    batch_raw: dict[str, Any], reactor_raw: dict[str, Any], readings: list[str],
    roomy: bool,
) -> None:
    batch_raw["titration"]["readings"] = readings
    if "ratio" in batch_raw["methanol"]:
        batch_raw["methanol"].pop("share", None)
    else:
        batch_raw["methanol"].setdefault("share", "20 %")
    if "sample" in batch_raw["titration"]:
        batch_raw["titration"].pop("sample_mass", None)
    reactor_raw["probes"] = {"a": "28-0316a2794ff1", "b": "28-0316a279c2d4"}
    reactor_raw["rig"]["level"] = "small"
    measured = reactor_raw["measured"]
    measured |= {"heat_capacity": "670 kJ/K" if roomy else "160 kJ/K", "oil": "120 L"}
    if "run_on" in measured and "probe_lag" in measured:  # a part of it
        measured["probe_lag"] = "2 s"
    if roomy:  # so that most batches are possible, and all of the sheet is worked out
        reactor_raw["vessel"] |= {"volume": "1000 L"}
        reactor_raw["scale"] = {"resolution": "0.001 g"}
        batch_raw["heat"] = {}
        batch_raw["titration"] |= {"blank": "0 mL", "strength": "1 g/L", "titrant": "pure"}
        batch_raw["dewater"] = {"method": "settle"}
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(files, "read_toml",
                      lambda path: batch_raw if path == "b.toml" else reactor_raw)
        reactor = files.load_reactor("r.toml")
        try:
            batch = files.load_batch("b.toml", reactor)
            event("a sheet")
        except SettingsError as error:  # the sheet's own: too much for the vessel, and so on
            assert all(s.startswith("b.toml: [") for s in error.mistakes)
            return
    for vessel in (reactor, None):
        sheet = batch_sheet(batch, vessel)
        json.dumps(sheet_json(sheet), allow_nan=False)
        for units in (wording(), wording("degF", "gal_us")):
            page = text_page("x", batch_sections(sheet, units), sheet.missing)
            page += text_working(working(sheet, units))
            assert max(map(len, page.splitlines())) <= 80
            assert " nan" not in page and " inf" not in page
    jars = ladder(batch, 0.4)
    assert max(map(len, text_page("x", jar_sections(jars, wording()), ()).splitlines())) <= 80
