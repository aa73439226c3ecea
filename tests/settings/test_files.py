"""reactor.toml and batch.toml: plain values, or every mistake at once."""

from __future__ import annotations

import re
import tomllib
from dataclasses import fields, replace
from pathlib import Path
from typing import Any, get_args

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from pydantic import BaseModel

from esterward.settings import files
from esterward.settings.build import BATCH_FIELDS, REACTOR_FIELDS
from esterward.settings.keys import BatchFile, Number, ReactorFile
from esterward.settings.mistakes import SettingsError
from esterward.values.batch import Batch, Wash
from esterward.values.reactor import Reactor
from esterward.values.readings import OPTIONAL_INPUTS
from samples import SMALLEST_BATCH as BATCH
from settings_rig import REACTOR, mistakes_of, written

CONFIG = Path(__file__).parents[2] / "firmware" / "config"

def changed(text: str, old: str, new: str) -> str:
    assert old in text
    return text.replace(old, new)


def test_the_smallest_files_load_with_the_defaults_of_values(tmp_path: Path) -> None:
    reactor = files.load_reactor(written(tmp_path, "reactor.toml", REACTOR))
    batch = files.load_batch(written(tmp_path, "batch.toml", BATCH), reactor)
    assert replace(reactor, digest="") == Reactor(
        altitude_m=1120.0, vessel_l=200.0, element_w=3000.0,
        probe_a_id="28-0316a2794ff1", probe_b_id="28-0316a279c2d4")
    assert replace(batch, digest="") == Batch(
        oil_volume_l=120.0, titration_readings_ml=(2.9, 3.1, 3.0), catalyst_purity=0.9)


def test_the_shipped_examples_load_together() -> None:
    batch, reactor = files.load_pair(CONFIG / "batch.toml", CONFIG / "reactor.toml")
    assert reactor is not None
    assert (reactor.altitude_m, reactor.rig_level) == (1120.0, "small")
    assert batch.washes[0] == Wash(0.10, False)


def keys_of(model: type[BaseModel]) -> dict[str, Any]:
    """Every key of a file as "section.key" with its annotation's metadata."""
    found: dict[str, Any] = {}
    for section, field in model.model_fields.items():
        if isinstance(field.default, BaseModel):
            for key, inner in type(field.default).model_fields.items():
                found[f"{section}.{key}"] = inner.metadata
        else:
            found[section] = field.metadata
    return found


@pytest.mark.parametrize(("model", "table", "value"), [
    (ReactorFile, REACTOR_FIELDS, Reactor), (BatchFile, BATCH_FIELDS, Batch)])
def test_every_field_a_person_may_set_has_a_key(
    model: type[BaseModel], table: dict[str, str], value: type[Reactor | Batch]
) -> None:
    assert set(table) == set(keys_of(model))
    assert set(table.values()) == {f.name for f in fields(value)} - {"digest"}


@pytest.mark.parametrize(("model", "name"), [
    (ReactorFile, "reactor.toml"), (BatchFile, "batch.toml")])
def test_the_shipped_examples_show_every_key_with_its_range(
    model: type[BaseModel], name: str
) -> None:
    text = (CONFIG / name).read_text("utf-8")
    shown = tomllib.loads(text)
    for key, metadata in keys_of(model).items():
        section, _, inner = key.partition(".")
        assert section in shown, key
        for number in (item for item in metadata if isinstance(item, Number)):
            block = text[text.index(f"[{section}]"):]
            start = re.search(rf"^(# )?{inner} = ", block, re.MULTILINE)
            assert start, key
            line = block[start.start():]
            comment = " ".join(line.split("\n")[0:3])
            for end in number.allowed.split(" to "):
                assert end.split(" ")[0] in comment, (key, number.allowed)


def test_all_mistakes_of_a_file_are_told_at_once(tmp_path: Path) -> None:
    text = """
    [oil]
    volume = "55,5 L"
    start = "20 C"
    volum = "3 L"
    [titration]
    readings = ["2.9 mL", "nan mL", 3.0]
    [catalyst]
    kind = "koh"
    purity = "110 %"
    [methanol]
    share = "20 %"
    ratio = "5 mol/mol"
    [settel]
    time = "8 h"
    [dry]
    time = "-3 min"
    """
    found = mistakes_of(tmp_path, text)
    wanted = [
        ('[oil] volume = "55,5 L"', 'write "55.5 L"'),
        ('[oil] start = "20 C"', 'write "20 degC"'),
        ("[oil] volum is not known", 'did you mean "volume"?'),
        ('[titration] readings (value 2) = "nan mL"', "not a number"),
        ("[titration] readings (value 3) = 3.0", 'write "3.0 mL"'),
        ('[catalyst] kind = "koh"', 'allowed is "KOH" or "NaOH"; write "KOH"'),
        ('[catalyst] purity = "110 %"', "allowed is 50 % to 100 %"),
        ("[methanol] ratio and share are both given", "write only one"),
        ("[settel] is not known", "did you mean [settle]?"),
        ('[dry] time = "-3 min"', "negative; allowed is 15 min to 2880 min"),
    ]
    assert len(found) == len(wanted), found
    for start, end in wanted:
        assert any(start in s and end in s for s in found), (start, end, found)


def test_the_mistakes_of_both_files_are_told_at_once(tmp_path: Path) -> None:
    reactor = written(tmp_path, "reactor.toml", changed(REACTOR, "1120 m", "1120"))
    batch = written(tmp_path, "batch.toml", changed(BATCH, "120 L", "120 C"))
    with pytest.raises(SettingsError) as caught:
        files.load_pair(batch, reactor)
    assert len(caught.value.mistakes) == 2
    assert "batch.toml" in caught.value.mistakes[0]
    assert "reactor.toml" in caught.value.mistakes[1]


def test_a_missing_file_does_not_hide_the_mistakes_of_the_other(tmp_path: Path) -> None:
    batch = written(tmp_path, "batch.toml", changed(BATCH, "120 L", "120 C"))
    with pytest.raises(SettingsError) as caught:
        files.load_pair(batch, tmp_path / "none.toml")
    assert ["no such file" in s for s in caught.value.mistakes] == [False, True]
    with pytest.raises(SettingsError) as caught:
        files.load_pair(tmp_path / "none.toml", tmp_path / "none2.toml")
    assert len(caught.value.mistakes) == 2


def test_what_can_never_be_allowed_is_told_beside_other_mistakes(tmp_path: Path) -> None:
    reactor = files.load_reactor(written(tmp_path, "reactor.toml", REACTOR))
    text = changed(BATCH, "120 L", "180 L") + '[heat]\nsetpoint = "58 degC"\n[dry]\ntim = "1 h"\n'
    found = mistakes_of(tmp_path, text, reactor=reactor)
    assert len(found) == 3, found
    assert any("vessel" in s for s in found)
    assert any("setpoint" in s for s in found)
    assert any("[dry] tim" in s for s in found)


@pytest.mark.parametrize(("key", "line"), [
    ("[vessel] volume", 'volume = "200 L"'), ("[element] power", 'power = "3 kW"'),
    ("[rig] level", 'level = "small"'), ("[probes] a", 'a = "28-0316a2794ff1"'),
    ("[probes] b", 'b = "28-0316a279c2d4"'),
])
def test_a_reactor_without_what_is_needed_is_refused(
    tmp_path: Path, key: str, line: str
) -> None:
    (sentence,) = mistakes_of(tmp_path, changed(REACTOR, line, ""), "reactor")
    assert f"{key} is missing" in sentence and "write" in sentence


@pytest.mark.parametrize(("key", "line"), [
    ("[oil] volume", 'volume = "120 L"'), ("[catalyst] kind", 'kind = "KOH"'),
    ("[catalyst] purity", 'purity = "90 %"'), ("[methanol] share", 'share = "20 %"'),
])
def test_a_batch_without_what_is_needed_is_refused(tmp_path: Path, key: str, line: str) -> None:
    (sentence,) = mistakes_of(tmp_path, changed(BATCH, line, ""))
    assert f"{key} is missing" in sentence and "write" in sentence


def test_a_reactor_without_altitude_loads_and_says_so_by_none(tmp_path: Path) -> None:
    text = changed(REACTOR, 'altitude = "1120 m"', "")
    assert files.load_reactor(written(tmp_path, "r.toml", text)).altitude_m is None


FULL = changed(REACTOR, '"small"', '"full"\nwarm_hold = true\nfitted = '
               + str(list(OPTIONAL_INPUTS))).replace("[vessel]", "barometer = true\n[vessel]")


def test_warm_hold_is_allowed_with_everything_of_rig_level_full(tmp_path: Path) -> None:
    reactor = files.load_reactor(written(tmp_path, "reactor.toml", FULL))
    assert reactor.warm_hold and reactor.fitted == OPTIONAL_INPUTS


@pytest.mark.parametrize(("text", "part"), [
    (changed(REACTOR, '"small"', '"small"\nwarm_hold = true'), 'only at rig level "full"'),
    (changed(FULL, "'cutout2_closed'", "'lid_closed'"), "twice"),
    (changed(FULL, ", 'cutout2_closed'", ""), "add to [rig] fitted: cutout2_closed"),
    (changed(FULL, "barometer = true", ""), "needs a barometer"),
    (changed(REACTOR, "28-0316a279c2d4", "28-0316a2794ff1"), "same probe"),
    (changed(REACTOR, "28-0316a279c2d4", "28-0316A279C2D4"), "/sys/bus/w1/devices"),
    (REACTOR + 'a_correction = "-0.5 K"', "negative"),
    (changed(REACTOR, '"200 L"', '"200 L"\ndipstick = [{ stick = "3 mm", volume = "1 L" }]'),
     "at least two marks"),
    (REACTOR + "checked = 1", "true or false"),
    (REACTOR + '[mqtt]\nid = "Shed 1"', "lower case"),
    (REACTOR + "[mqtt]\nport = 70000", "1 to 65535"),
    (REACTOR + "[pins]\nk1 = 28", "0 to 27"),
    (REACTOR + "[pins]\nk1 = 17\nmixer = 17", "is the line of k1 too"),
    (REACTOR + "pins = 3\n", "known are a, b"),
    (changed(REACTOR, "[site]", "pins = 3\n[site]"), "[pins] on a line"),
    (changed(REACTOR, '"small"', '"smal"'), '"watch" or "small" or "full"'),
    (changed(REACTOR, '"small"', '"small"\nfitted = ["lid"]'), '"lid_closed"'),
    (changed(REACTOR, '"small"', '"small"\nfitted = "lid_closed"'), '["lid_closed"]'),
])
def test_what_does_not_fit_in_a_reactor_is_one_sentence(
    tmp_path: Path, text: str, part: str
) -> None:
    assert any(part in s for s in mistakes_of(tmp_path, text, "reactor"))


def test_rig_level_watch_needs_no_probe_of_a_guard(tmp_path: Path) -> None:
    text = changed(REACTOR, 'b = "28-0316a279c2d4"', "").replace('"small"', '"watch"')
    assert files.load_reactor(written(tmp_path, "r.toml", text)).probe_b_id == ""


@pytest.mark.parametrize(("text", "part"), [
    (BATCH + "[wash]\nrounds = []", "0 washes"),
    (BATCH + '[wash]\nrounds = [{ water = "30 %" }]', "(value 1) has no way"),
    (BATCH + '[wash]\nrounds = [{ water = "30", way = "mist" }]', "(value 1, water)"),
    (BATCH + '[wash]\nrounds = [{ watr = "30 %", way = "mist" }]', 'did you mean "water"?'),
    (BATCH + '[wash]\nrounds = ["30 %"]', "table"),
    (changed(BATCH, '"90 %"', '"90 %"\nbase_as = "as weighed"'), 'base = "7.8 g/L"'),
    (changed(BATCH, '"2.9 mL"', '"2.9 mL", ' * 12 + '"2.9 mL"'), "at most 12"),
    ('oil = "120 L"\n' + BATCH.replace('[oil]\nvolume = "120 L"', ""), "[oil] on a line"),
    ('volume = "3 L"\n' + BATCH, "did you mean [oil] volume?"),
    ('"oil.volume" = "3 L"\n' + BATCH, "oil.volume is not known"),
    (changed(BATCH, '"120 L"', "{ x = 1 }"), "in quotes"),
    (changed(BATCH, '"120 L"', "2026-03-01"), "in quotes"),
    (changed(BATCH, '"120 L"', "nan"), "nan"),
    (changed(BATCH, '"120 L"', '"120 L"\nlots = [{ volume = "3 L" }]'), "has no titre"),
    (changed(BATCH, "readings", 'sample = "1 mL"\nsample_mass = "1 g"\nreadings'), "only one"),
    (BATCH + '[settle]\ntime = "7 h"', "8 h to 240 h"),
    (BATCH + '[heat]\nsetpoint = "5 K"', "difference"),
    (BATCH + '[oil_2]\nvolume = "3 L"\n', "[oil_2] is not known"),
    (BATCH + '"\\u001b[31m" = 1\n', "\\x1b[31m is not known"),
])
def test_what_does_not_fit_in_a_batch_is_one_sentence(
    tmp_path: Path, text: str, part: str
) -> None:
    assert any(part in s for s in mistakes_of(tmp_path, text))


def test_digest_follows_the_values_and_not_the_spelling(tmp_path: Path) -> None:
    def digest(text: str) -> str:
        return files.load_reactor(written(tmp_path, "r.toml", text)).digest

    same = digest(REACTOR)
    assert len(same) == 64
    assert digest("# a note\n" + changed(REACTOR, '"3 kW"', '"3000.0 W"')) == same
    assert digest(changed(REACTOR, '"1120 m"', '"1121 m"')) != same


def test_the_reactor_beside_a_batch_is_found(tmp_path: Path) -> None:
    batch = written(tmp_path, "batch.toml", BATCH)
    assert files.reactor_beside(batch) is None
    reactor = written(tmp_path, "reactor.toml", REACTOR)
    assert files.reactor_beside(batch) == reactor


_value = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=12)
    | st.sampled_from(["120 L", "55,5 L", "nan mL", "90 %", "KOH"]),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(
        st.sampled_from(["volume", "water", "way", "x.y", ""]), inner, max_size=3),
    max_leaves=5)
_sections = {**BatchFile.model_fields, **ReactorFile.model_fields}
_keys = sorted({key for field in _sections.values() if isinstance(field.default, BaseModel)
                for key in type(field.default).model_fields} | {"x.y", "", "volum"})


@settings(max_examples=300, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(st.dictionaries(st.sampled_from([*_sections, "x", "a.b"]),
                       _value | st.dictionaries(st.sampled_from(_keys), _value, max_size=5),
                       max_size=6))
def test_no_table_at_all_makes_the_loader_raise_anything_else(raw: dict[str, Any]) -> None:
    for load in (files.load_batch, files.load_reactor):
        with pytest.MonkeyPatch.context() as patch:
            patch.setattr(files, "read_toml", lambda path: raw)
            try:
                load("x.toml")
            except SettingsError as error:
                assert error.mistakes
                assert all(s.isprintable() for s in error.mistakes)


@pytest.mark.parametrize(("changed", "alone"), [
    # A wrong key's default must not make a second mistake out of a good one.
    (('kind = "KOH"', 'kind = "naoh"'), "[catalyst] kind"),
    (('volume = "120 L"', 'volume = "120"'), "[oil] volume"),
    (('share = "20 %"', 'share = "20"'), "[methanol] share"),
])
def test_a_default_is_never_the_cause_of_another_mistake(
    tmp_path: Path, changed: tuple[str, str], alone: str
) -> None:
    text = BATCH.replace(*changed)
    assert text != BATCH
    if "naoh" in text:  # fits the base that was meant, not the default KOH
        text = text.replace("[titration]", '[titration]\ntitrant_kind = "NaOH"')
    with pytest.raises(SettingsError) as caught:
        files.load_pair(written(tmp_path, "batch.toml", text),
                        written(tmp_path, "reactor.toml", REACTOR))
    (only,) = caught.value.mistakes
    assert alone in only


def test_a_setpoint_too_high_is_told_beside_a_wrong_volume(tmp_path: Path) -> None:
    text = BATCH.replace('"120 L"', '"120"') + '\n[heat]\nsetpoint = "64 degC"\n'
    with pytest.raises(SettingsError) as caught:
        files.load_pair(written(tmp_path, "batch.toml", text),
                        written(tmp_path, "reactor.toml", REACTOR))
    assert len(caught.value.mistakes) == 2


def test_the_sheets_own_mistakes_are_told_in_the_units_of_the_reactor_file(
    tmp_path: Path
) -> None:
    batch = written(tmp_path, "batch.toml",
                    BATCH.replace('"120 L"', '"50 gal_us"') + '\n[heat]\nsetpoint = "149 degF"\n')
    reactor = written(tmp_path, "reactor.toml",
                      REACTOR + '\n[display]\ntemperature = "degF"\nvolume = "gal_us"\n')
    with pytest.raises(SettingsError) as caught:
        files.load_pair(batch, reactor)
    said = " ".join(caught.value.mistakes)
    assert 'setpoint = "149 degF" is' in said and 'volume = "50 gal_us", warm' in said
    assert "degC" not in said and " L " not in said
    with pytest.raises(SettingsError) as caught:
        files.load_pair(batch, reactor, "degC", "L")
    assert 'setpoint = "149 degF" (65 degC) is' in " ".join(caught.value.mistakes)


def test_what_stands_in_the_file_is_quoted_whatever_unit_is_preferred(tmp_path: Path) -> None:
    batch = written(tmp_path, "batch.toml",
                    changed(BATCH, '"120 L"', '"190.0 L"') + '\n[heat]\nsetpoint = "57.1 °C"\n')
    reactor = written(tmp_path, "reactor.toml",
                      REACTOR + '\n[display]\ntemperature = "degF"\nvolume = "gal_us"\n')
    with pytest.raises(SettingsError) as caught:
        files.load_pair(batch, reactor)
    setpoint, volume = caught.value.mistakes
    assert '[heat] setpoint = "57.1 °C" (134.78 degF) is above the highest' in setpoint
    assert 'write at most "131.3 degF"' in setpoint
    assert '[oil] volume = "190.0 L" (50.19 gal_us), warm ' in volume


def test_a_setpoint_written_in_degf_is_answered_in_degf_without_any_preference(
    tmp_path: Path
) -> None:
    batch = written(tmp_path, "batch.toml", BATCH + '\n[heat]\nsetpoint = "145 degF"\n')
    with pytest.raises(SettingsError) as caught:
        files.load_pair(batch, written(tmp_path, "reactor.toml", REACTOR))
    (only,) = caught.value.mistakes
    assert 'setpoint = "145 degF" is' in only and 'degF", or leave it out' in only
    assert "degC" not in only


@pytest.mark.parametrize("written_as", ['"3"', "3", '["30 %"]', '[["30 %", "stir"]]', "[3]"])
def test_a_list_of_tables_that_is_none_is_told_with_one_that_works(
    tmp_path: Path, written_as: str
) -> None:
    (only,) = mistakes_of(tmp_path, BATCH + f"[wash]\nrounds = {written_as}\n")
    assert "a list of tables is wanted" in only
    write = only.split("; write for example ")[1].rstrip(".")
    files.load_batch(written(tmp_path, "good.toml", BATCH + f"[wash]\nrounds = {write}\n"))


def test_an_empty_name_is_told_as_such() -> None:
    with pytest.raises(SettingsError, match="the name of the file is empty"):
        files.load_batch("")


def test_the_annotations_of_keys_are_optional() -> None:
    """A key that is absent or wrong must be None, never a number that means no number."""
    for model in (ReactorFile, BatchFile):
        for field in model.model_fields.values():
            if isinstance(field.default, BaseModel):
                for key, inner in type(field.default).model_fields.items():
                    assert inner.default is None, key
                    assert type(None) in get_args(inner.annotation), key
