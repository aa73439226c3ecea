"""From checked keys to values.reactor.Reactor and values.batch.Batch.

Two tables say which key fills which field; the rules below them say what must be there and
what fits what. A key that is absent or was wrong is None here: wrong ones were reported
already, so a rule is judged only on keys that are good.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace
from itertools import pairwise
from typing import Any, Final, TypeVar

from esterward.chemistry.energy import oil_kj_per_k
from esterward.settings.keys import BatchFile, ReactorFile
from esterward.values.batch import Batch, Lot, Wash
from esterward.values.plain import to_plain
from esterward.values.reactor import Reactor
from esterward.values.readings import OPTIONAL_INPUTS

T = TypeVar("T", Reactor, Batch)
MOST_READINGS: Final = 12
MOST_WASHES: Final = 12

REACTOR_FIELDS: Final[dict[str, str]] = {
    "name": "name",
    "site.altitude": "altitude_m",
    "site.barometer": "barometer",
    "site.room": "room_c",
    "vessel.volume": "vessel_l",
    "vessel.loss": "loss_w_per_k",
    "vessel.lagging": "lagging_mm",
    "vessel.diameter": "diameter_m",
    "vessel.dipstick": "dipstick",
    "element.power": "element_w",
    "element.switch": "element_switch",
    "rig.level": "rig_level",
    "rig.fitted": "fitted",
    "rig.warm_hold": "warm_hold",
    "probes.a": "probe_a_id",
    "probes.b": "probe_b_id",
    "probes.a_correction": "probe_a_correction_k",
    "probes.b_correction": "probe_b_correction_k",
    "probes.checked": "probes_checked",
    "measured.heat_capacity": "measured_heat_kj_per_k",
    "measured.oil": "measured_oil_l",
    "measured.loss": "measured_loss_w_per_k",
    "measured.run_on": "measured_run_on_s",
    "measured.probe_lag": "measured_probe_lag_s",
    "limits.setpoint": "setpoint_cap_c",
    "scale.resolution": "scale_resolution_g",
    "mqtt.host": "mqtt_host",
    "mqtt.port": "mqtt_port",
    "mqtt.id": "mqtt_id",
    "display.temperature": "show_temperature",
    "display.volume": "show_volume",
    "pins": "pins",
}
BATCH_FIELDS: Final[dict[str, str]] = {
    "name": "name",
    "oil.volume": "oil_volume_l",
    "oil.start": "oil_start_c",
    "oil.set": "oil_set",
    "oil.density": "oil_density_kg_per_l",
    "oil.water": "oil_water_mg_per_kg",
    "oil.molar_mass": "oil_molar_mass_g_per_mol",
    "oil.lots": "lots",
    "titration.readings": "titration_readings_ml",
    "titration.titrant": "titrant",
    "titration.strength": "titrant_g_per_l",
    "titration.sample": "titration_sample_ml",
    "titration.titrant_kind": "titrant_kind",
    "titration.sample_mass": "titration_sample_g",
    "titration.indicator": "titration_indicator",
    "titration.blank": "titration_blank_ml",
    "catalyst.kind": "catalyst_kind",
    "catalyst.purity": "catalyst_purity",
    "catalyst.base": "base_g_per_l",
    "catalyst.base_as": "base_as_weighed",
    "methanol.share": "methanol_share",
    "methanol.ratio": "methanol_molar_ratio",
    "methanol.start": "methanol_start_c",
    "heat.setpoint": "setpoint_c",
    "dewater.method": "dewater",
    "dewater.stand": "dewater_stand_min",
    "methoxide.dissolve": "dissolve_min",
    "methoxide.first_share": "first_share",
    "dose.pour": "pour_min",
    "settle.time": "settle_h",
    "wash.rounds": "washes",
    "wash.stir": "wash_stir_min",
    "wash.stand": "wash_stand_min",
    "dry.temperature": "dry_c",
    "dry.time": "dry_min",
}
# Must be there: what to write for each.
REACTOR_NEEDS: Final[dict[str, str]] = {
    "vessel.volume": 'for example "200 L", the volume up to the brim',
    "element.power": 'for example "3000 W", as on its plate',
    "rig.level": '"watch", "small" or "full"',
    "probes.a": 'the name of its folder in /sys/bus/w1/devices, such as "28-0316a2794ff1"',
}
BATCH_NEEDS: Final[dict[str, str]] = {
    "oil.volume": 'for example "120 L"',
    "catalyst.kind": '"KOH" or "NaOH"',
    "catalyst.purity": '"90 %", as on the label',
}


@dataclass(slots=True)
class Found:
    """A checked file: its keys, those that were wrong, the mistakes so far as (key, text).

    raw: the tables as they stand in the file, without the wrong keys.
    """

    where: str
    model: ReactorFile | BatchFile
    faulty: set[str] = field(default_factory=set)
    mistakes: list[str] = field(default_factory=list)
    raw: Mapping[str, Any] = field(default_factory=dict)

    def get(self, key: str) -> Any:
        """The value of "section.key", None when absent or wrong."""
        node: Any = self.model
        for part in key.split("."):
            node = getattr(node, part)
        return node

    def is_faulty(self, key: str) -> bool:
        """Whether this key, or the table it stands in, was reported already."""
        return key in self.faulty or key.split(".", 1)[0] in self.faulty

    def wrong(self, key: str, text: str) -> None:
        """One more mistake about this key."""
        self.faulty.add(key)
        self.mistakes.append(f"{self.where}: {bracketed(key)} {text}.")


def bracketed(key: str) -> str:
    """oil.volume as it looks in the file: [oil] volume."""
    section, dot, name = key.partition(".")
    return f"[{section}] {name}" if dot else key


def _needs(found: Found, needs: Mapping[str, str]) -> None:
    for key, write in needs.items():
        if found.get(key) is None and not found.is_faulty(key):
            found.wrong(key, f"is missing; write {write}")


def _filled(default: T, found: Found, fields: Mapping[str, str],
            convert: Mapping[str, Callable[[Any], Any]]) -> T:
    values = {}
    for key, name in fields.items():
        value = found.get(key)
        if value is not None and not found.is_faulty(key):
            values[name] = convert[key](value) if key in convert else value
    return replace(default, **values)


def _with_digest(value: T) -> T:
    plain = json.dumps(to_plain(replace(value, digest="")), sort_keys=True,
                       separators=(",", ":"), ensure_ascii=True, allow_nan=False)
    return replace(value, digest=hashlib.sha256(plain.encode("ascii")).hexdigest())


def reactor_from(found: Found) -> Reactor:
    """The reactor; what is wrong with it is added to found.mistakes."""
    _needs(found, REACTOR_NEEDS)
    level, a, b = found.get("rig.level"), found.get("probes.a"), found.get("probes.b")
    if level in ("small", "full") and b is None and not found.is_faulty("probes.b"):
        found.wrong("probes.b", f'is missing: at rig level "{level}" the guard has a probe of '
                                'its own; write its folder in /sys/bus/w1/devices')
    if a is not None and a == b:
        found.wrong("probes.b", f'= "{b}" is the same probe as a; the guard needs its own: '
                                "write the other one's name")
    fitted = found.get("rig.fitted") or []
    double = sorted({name for name in fitted if fitted.count(name) > 1})
    if double:
        found.wrong("rig.fitted", f"names {' and '.join(double)} twice; write each once")
    _warm_hold(found, level, fitted)
    _dipstick(found)
    _measured(found)
    _pins(found)
    reactor = _filled(Reactor(), found, REACTOR_FIELDS, {
        "rig.fitted": lambda names: tuple(n for n in OPTIONAL_INPUTS if n in names),
        "pins": lambda pins: tuple(sorted(pins.items())),
        "vessel.dipstick": lambda marks: tuple((m.stick, m.volume) for m in marks),
    })
    return _with_digest(reactor)


def _warm_hold(found: Found, level: str | None, fitted: list[str]) -> None:
    """Heating with methanol in the vessel needs every input of rig level full."""
    if not found.get("rig.warm_hold"):
        return
    if level is not None and level != "full":
        found.wrong("rig.warm_hold", f'= true is allowed only at rig level "full", this is '
                                     f'"{level}"; write false')
        return
    missing = [name for name in OPTIONAL_INPUTS if name not in fitted]
    if missing and level == "full" and not found.is_faulty("rig.fitted"):
        found.wrong("rig.warm_hold", "= true needs every optional input; add to [rig] fitted: "
                                     f"{', '.join(missing)}, or write false")
    if not found.get("site.barometer") and not found.is_faulty("site.barometer"):
        found.wrong("rig.warm_hold", "= true needs a barometer; write [site] barometer = true "
                                     "when one is fitted, or warm_hold = false")


def _measured(found: Found) -> None:
    """A heat capacity belongs to a fill of oil; a lag is a part of the run-on."""
    heat, oil = found.get("measured.heat_capacity"), found.get("measured.oil")
    if (heat is None) != (oil is None) and not (
        found.is_faulty("measured.heat_capacity") or found.is_faulty("measured.oil")
    ):
        found.wrong("measured.oil" if oil is None else "measured.heat_capacity",
                    "is missing: heat capacity and the oil it was measured with belong together; "
                    'write both, such as heat_capacity = "242 kJ/K" and oil = "120 L", or neither')
    elif heat is not None and oil is not None:
        times = heat / oil_kj_per_k(oil)
        if not 0.7 <= times <= 3.0:
            found.wrong("measured.heat_capacity",
                        f'= "{heat:g} kJ/K" is {times:.2g} times that of {oil:g} L of oil alone; '
                        "allowed is 0.7 to 3 times; measure it again with "
                        "esterward rehearse --fit RECORD")
    run_on, lag = found.get("measured.run_on"), found.get("measured.probe_lag")
    if run_on is not None and lag is not None and not lag < run_on:
        found.wrong("measured.probe_lag", f'= "{lag:g} s" is not below run_on = "{run_on:g} s", '
                                          "of which it is a part; write the probe's share only")


def _pins(found: Found) -> None:
    """Two names on one line. Which names and lines there are, hardware/pins.py judges."""
    names: dict[int, str] = {}
    for name, line in sorted((found.get("pins") or {}).items()):
        if line in names:
            found.wrong(f"pins.{name}", f"= {line} is the line of {names[line]} too; "
                                        "write a line of its own")
        names.setdefault(line, name)


def batch_from(found: Found) -> Batch:
    """The batch; what is wrong with it is added to found.mistakes."""
    _needs(found, BATCH_NEEDS)
    share, ratio = found.get("methanol.share"), found.get("methanol.ratio")
    if share is not None and ratio is not None:
        found.wrong("methanol.ratio", "and share are both given; write only one of them")
    elif share is None and ratio is None and not (
        found.is_faulty("methanol.share") or found.is_faulty("methanol.ratio")
    ):
        found.wrong("methanol.share", 'is missing; write for example "20 %" (of the oil\'s '
                                      'volume), or ratio = "6 mol/mol"')
    readings = found.get("titration.readings")
    if readings is not None and len(readings) > MOST_READINGS:
        found.wrong("titration.readings", f"has {len(readings)} values; allowed is at most "
                                          f"{MOST_READINGS}; write those of this oil only")
    if found.get("catalyst.base_as") == "as weighed" and found.get("catalyst.base") is None and (
        not found.is_faulty("catalyst.base")
    ):
        found.wrong("catalyst.base_as", '= "as weighed" needs the amount; '
                                           'write for example base = "7.8 g/L"')
    _whole_rows(found, "oil.lots", {"volume": '"20 L"', "titre": '"6.0 mL"'})
    if found.get("titration.sample") is not None and (
        found.get("titration.sample_mass") is not None
    ):
        found.wrong("titration.sample_mass", "and sample are both given; write only one of them")
    _washes(found)
    batch = _filled(Batch(), found, BATCH_FIELDS, {
        "titration.readings": tuple,
        "catalyst.base_as": lambda word: word == "as weighed",
        "oil.lots": lambda lots: tuple(Lot(lot.volume, lot.titre) for lot in lots),
        "wash.rounds": lambda rounds: tuple(Wash(r.water, r.way == "stir") for r in rounds),
    })
    if batch.methanol_molar_ratio is not None:
        batch = replace(batch, methanol_share=None)
    return _with_digest(batch)


def _whole_rows(found: Found, key: str, needed: Mapping[str, str]) -> bool:
    """Every row of a list of tables has all its keys."""
    whole = True
    for number, row in enumerate(found.get(key) or [], start=1):
        for name, example in needed.items():
            if getattr(row, name) is None:
                only = "" if " or " in example else "for example "
                found.wrong(key, f"(value {number}) has no {name}; write {only}{name} = {example}")
                whole = False
    return whole


def _dipstick(found: Found) -> None:
    """At least two marks, both columns rising."""
    key = "vessel.dipstick"
    marks = found.get(key)
    if marks is None or not _whole_rows(found, key, {"stick": '"100 mm"', "volume": '"28 L"'}):
        return
    rising = all(low.stick < high.stick and low.volume < high.volume
                 for low, high in pairwise(marks))
    if len(marks) < 2 or not rising:
        found.wrong(key, "does not rise; write at least two marks from the lowest to the highest")


def _washes(found: Found) -> None:
    key = "wash.rounds"
    rounds = found.get(key)
    if rounds is None:
        return
    if not 1 <= len(rounds) <= MOST_WASHES:
        found.wrong(key, f"has {len(rounds)} washes; allowed is 1 to {MOST_WASHES}; "
                         'write for example [{ water = "30 %", way = "stir" }]')
    _whole_rows(found, key, {"water": '"30 %"', "way": '"mist" or "stir"'})
