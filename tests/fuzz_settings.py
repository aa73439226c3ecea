"""The two settings files as surfaces: what an accepted file may hold, kept here by hand.

Ranges in core units as the comments of firmware/config say them to the user; never taken from
settings/, whose work is judged with them.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping
from functools import partial
from itertools import pairwise
from pathlib import Path
from typing import Any, Final

from esterward.settings.mistakes import SettingsError
from esterward.values.batch import Batch
from esterward.values.reactor import Reactor
from fuzz_types import Fault, fault_of
from samples import SMALLEST_BATCH

CONFIG: Final = Path(__file__).parents[1] / "firmware" / "config"

# Lowest, highest of every number.
RANGES: Final[dict[str, tuple[float, float]]] = {
    "Reactor.altitude_m": (-430.0, 5000.0),
    "Reactor.vessel_l": (5.0, 1000.0),
    "Reactor.element_w": (100.0, 20_000.0),
    "Reactor.loss_w_per_k": (0.5, 200.0),
    "Reactor.room_c": (-20.0, 45.0),
    "Reactor.probe_a_correction_k": (0.0, 5.0),
    "Reactor.probe_b_correction_k": (0.0, 5.0),
    "Reactor.setpoint_cap_c": (30.0, 110.0),
    "Reactor.scale_resolution_g": (0.001, 100.0),
    "Reactor.mqtt_port": (1, 65535),
    "Reactor.pins[1]": (0, 27),
    "Reactor.lagging_mm": (0.0, 200.0),
    "Reactor.diameter_m": (0.1, 2.0),
    "Reactor.dipstick[0]": (0.0, 3000.0),
    "Reactor.dipstick[1]": (0.0, 1000.0),
    "Reactor.measured_heat_kj_per_k": (5.0, 5000.0),
    "Reactor.measured_oil_l": (1.0, 1000.0),
    "Reactor.measured_loss_w_per_k": (0.5, 200.0),
    "Reactor.measured_run_on_s": (5.0, 600.0),
    "Reactor.measured_probe_lag_s": (2.0, 300.0),
    "Batch.oil_volume_l": (1.0, 1000.0),
    "Batch.oil_start_c": (-20.0, 110.0),
    "Batch.oil_density_kg_per_l": (0.85, 0.98),
    "Batch.oil_water_mg_per_kg": (0.0, 20_000.0),
    "Batch.oil_molar_mass_g_per_mol": (600.0, 1000.0),
    "Batch.titration_readings_ml": (0.0, 20.0),
    "Batch.titrant_g_per_l": (0.5, 10.0),
    "Batch.titration_sample_ml": (0.5, 25.0),
    "Batch.titration_sample_g": (0.5, 25.0),
    "Batch.titration_blank_ml": (0.0, 5.0),
    "Batch.catalyst_purity": (0.5, 1.0),
    "Batch.base_g_per_l": (2.0, 15.0),
    "Batch.methanol_share": (0.1, 0.4),
    "Batch.methanol_molar_ratio": (2.5, 10.0),
    "Batch.methanol_start_c": (-10.0, 45.0),
    "Batch.setpoint_c": (30.0, 65.0),
    "Batch.dewater_stand_min": (10.0, 2880.0),
    "Batch.dissolve_min": (5.0, 240.0),
    "Batch.first_share": (0.5, 0.95),
    "Batch.pour_min": (10.0, 60.0),
    "Batch.settle_h": (8.0, 240.0),
    "Batch.wash_stir_min": (1.0, 120.0),
    "Batch.wash_stand_min": (20.0, 2880.0),
    "Batch.dry_c": (30.0, 65.0),
    "Batch.dry_min": (15.0, 2880.0),
    "Wash.share": (0.02, 1.0),
    "Lot.volume_l": (0.1, 1000.0),
    "Lot.titre_ml": (0.0, 20.0),
}
# The form of every text.
OPTIONAL: Final = "lid_closed|vent_proof|vapour_low|sump_dry|drain_closed|cutout2_closed"
NAME: Final = r"[^\x00-\x1f\x7f]{1,40}"
PROBE: Final = r"28-[0-9a-f]{12}"
DIGEST: Final = r"[0-9a-f]{64}"
FORMS: Final[dict[str, str]] = {
    "Reactor.name": NAME,
    "Reactor.element_switch": "contactor|ssr",
    "Reactor.rig_level": "watch|small|full",
    "Reactor.fitted": OPTIONAL,
    "Reactor.probe_a_id": PROBE,
    "Reactor.probe_b_id": f"|{PROBE}",
    "Reactor.mqtt_host": r"[A-Za-z0-9_.:-]*",
    "Reactor.mqtt_id": r"[a-z0-9-]{1,40}",
    "Reactor.show_temperature": "degC|degF",
    "Reactor.show_volume": "L|gal_us|gal_imp",
    "Reactor.pins[0]": r"(?s).*",  # hardware/pins.py judges the names
    "Reactor.digest": DIGEST,
    "Batch.name": NAME,
    "Batch.titrant": "same stock|pure",
    "Batch.titrant_kind": "|KOH|NaOH",
    "Batch.titration_indicator": "phenolphthalein|turmeric|pH meter|pH paper",
    "Batch.catalyst_kind": "KOH|NaOH",
    "Batch.dewater": "settle|boil|none",
    "Batch.digest": DIGEST,
}


def _rule(name: str, kind: Any) -> Fault | None:
    """A number has its range and a text its form, or this table lacks a line: KeyError."""
    if kind in (float, int):
        return partial(_outside, name, kind, *RANGES[name])
    if kind is str:
        return partial(_unlike, name, re.compile(FORMS[name]))
    return None


def _outside(name: str, kind: type, lowest: float, highest: float, value: object) -> str:
    good = type(value) is kind and lowest <= value <= highest  # type: ignore[operator]
    return "" if good else f"{name} {value!r}"


def _unlike(name: str, form: re.Pattern[str], value: object) -> str:
    return "" if type(value) is str and form.fullmatch(value) else f"{name} {value!r}"


def _reactor_sense(reactor: Reactor) -> str:
    """What must fit together."""
    if reactor.rig_level != "watch" and not reactor.probe_b_id:
        return "no probe for the guard"
    if reactor.probe_a_id == reactor.probe_b_id:
        return "one probe for both"
    if reactor.warm_hold and not (reactor.rig_level == "full" and reactor.barometer
                                  and set(OPTIONAL.split("|")) == set(reactor.fitted)):
        return "warm hold without all it needs"
    if not all(low[0] < high[0] and low[1] < high[1] for low, high in pairwise(reactor.dipstick)):
        return f"a dipstick that falls {reactor.dipstick}"
    lines = [line for _, line in reactor.pins]
    return f"one line for two {reactor.pins}" if len(set(lines)) < len(lines) else ""


def _batch_sense(batch: Batch) -> str:
    """What must fit together."""
    if (batch.methanol_share is None) == (batch.methanol_molar_ratio is None):
        return "methanol as a share and a ratio, or neither"
    if len(batch.titration_readings_ml) > 12 or not 1 <= len(batch.washes) <= 12:
        return "too many readings or washes, or none"
    return ""


reactor_fault: Final = fault_of(Reactor, _rule)
batch_fault: Final = fault_of(Batch, _rule)


def settings_file(load: Callable[[Path], Any], folder: Path) -> Callable[[bytes], None]:
    """Refused in sentences of one line each, or every field within the tables above."""
    path = folder / "file.toml"

    def take(data: bytes) -> None:
        path.write_bytes(data)
        try:
            found = load(path)
        except SettingsError as error:
            assert error.mistakes and all("\n" not in m.strip() for m in error.mistakes)
            return
        if isinstance(found, Reactor):
            wrong = reactor_fault(found) or _reactor_sense(found)
        else:
            wrong = batch_fault(found) or _batch_sense(found)
        assert not wrong, f"accepted: {wrong}"

    return take


def _shipped(name: str, changes: Mapping[str, str]) -> bytes:
    """A file of firmware/config without its comments; changes: a line of it -> what replaces it."""
    lines = []
    for line in (CONFIG / name).read_text(encoding="utf-8").splitlines():
        line = line.partition("#")[0].strip()
        lines.append(changes.get(line.partition("=")[0].strip(), line))
    return ("\n".join(line for line in lines if line) + "\n").encode()


SMALLEST_REACTOR: Final = b"""[site]
altitude = "1120 m"
[vessel]
volume = "200 L"
[element]
power = "3000 W"
[rig]
level = "small"
[probes]
a = "28-0316a2794ff1"
b = "28-0316a279c2d4"
"""
# Beside the smallest file the one that is shipped, and one that has what is a comment there.
REACTOR_SEEDS: Final = (SMALLEST_REACTOR, _shipped("reactor.toml", {}), _shipped("reactor.toml", {
    "diameter": 'diameter = "0.56 m"\ndipstick = [{ stick = "0 mm", volume = "0 L" }, '
                '{ stick = "400 mm", volume = "98 L" }]',
    "barometer": "barometer = true", "level": 'level = "full"', "warm_hold": "warm_hold = true",
    "fitted": 'fitted = ["' + OPTIONAL.replace("|", '", "') + '"]',
    "[measured]": '[measured]\nheat_capacity = "242 kJ/K"\noil = "120 L"\nloss = "8.0 W/K"\n'
                  'run_on = "53 s"\nprobe_lag = "25 s"',
    "[pins]": "[pins]\nlamp = 24",
}))
BATCH_SEEDS: Final = (SMALLEST_BATCH.encode(), _shipped("batch.toml", {}), _shipped("batch.toml", {
    "molar_mass": 'molar_mass = "885.43 g/mol"\nwater = "600 mg/kg"\nlots = [{ volume = "20 L", '
                  'titre = "6.0 mL" }, { volume = "100 L", titre = "2.0 mL" }]',
    "sample": 'titrant_kind = "KOH"\nsample_mass = "0.918 g"', "share": 'ratio = "5 mol/mol"',
    "dissolve": 'dissolve = "15 min"\nfirst_share = "80 %"', "base_as": 'base_as = "as weighed"',
}))
