"""Every named fault shows itself in the way its sentence says, and ends when it is ended."""

from collections.abc import Callable
from itertools import pairwise
from math import isnan

import pytest

from esterward_sim.plant import LOW, Plant
from esterward_sim.plant.faults import (
    FAULTS,
    PERSON_FAULTS,
    PLANT_ROWS,
    READ_AS,
    ROWS,
    Faults,
)
from plant.plant_rig import FULL, go, plant_with_oil

HEAT = {"k1": True, "ssr": True, "mixer": True, "vent": True}
OFF: dict[str, bool] = {}  # K2 closed, nothing wanted
OPEN = {"enable": False}


def ready(**levels: bool) -> Plant:
    plant = plant_with_oil(40.0, reactor=FULL)
    go(plant, 60, **levels)
    return plant


def input_is(name: str, value: bool) -> Callable[[Plant], bool]:
    return lambda p: getattr(p.inputs(), name) is value


def chatters(name: str, seconds: int = 10) -> Callable[[Plant], bool]:
    def seen(plant: Plant) -> bool:
        found: list[bool] = []

        def note(p: Plant) -> bool:
            found.append(getattr(p.inputs(), name))
            return False

        go(plant, seconds, until=note, **HEAT)
        return sum(a is not b for a, b in pairwise(found)) > 4
    return seen


def watts(plant: Plant, levels: dict[str, bool]) -> float:
    before = plant.thermal.element_j
    go(plant, 20, **levels)
    return (plant.thermal.element_j - before) / 20.0


def power(low: float, high: float, **levels: bool) -> Callable[[Plant], bool]:
    return lambda p: low <= watts(p, levels) <= high


def stuck(which: str) -> Callable[[Plant], bool]:
    def seen(plant: Plant) -> bool:
        read = getattr(plant, f"probe_{which}_c")
        first = read()
        go(plant, 240, **HEAT)
        return bool(read() == first)
    return seen


def off_by(which: str, low: float, high: float, seconds: float = 5.0) -> Callable[[Plant], bool]:
    def seen(plant: Plant) -> bool:
        go(plant, seconds)
        read = getattr(plant, f"probe_{which}_c")()
        true = getattr(plant, f"probe_{which}").well_c
        return read is not None and low <= read - true <= high
    return seen


def lags(which: str) -> Callable[[Plant], bool]:
    def seen(plant: Plant) -> bool:
        go(plant, 300, **HEAT)
        return bool(plant.oil_c - getattr(plant, f"probe_{which}").well_c > 0.9)
    return seen


def reads_air(which: str) -> Callable[[Plant], bool]:
    def seen(plant: Plant) -> bool:
        go(plant, 300)
        return (getattr(plant, f"probe_{which}_c")() or 0.0) < plant.oil_c - 10.0
    return seen


def loses(which: str) -> Callable[[Plant], bool]:
    def seen(plant: Plant) -> bool:
        reads = [getattr(plant, f"probe_{which}_c")() for _ in range(200)]
        return 60 < reads.count(None) < 140
    return seen


def is_nan(which: str) -> Callable[[Plant], bool]:
    return lambda p: isnan(getattr(p, f"probe_{which}_c")())


def reads(which: str, value: float | None) -> Callable[[Plant], bool]:
    return lambda p: getattr(p, f"probe_{which}_c")() == value


def swapped(plant: Plant) -> bool:
    plant.thermal.upper_c += 6.0  # still: the zones stay apart
    go(plant, 120)
    return (plant.probe_b_c() or 0.0) > (plant.probe_a_c() or 0.0) + 2.0


def outlives_the_beat(plant: Plant) -> bool:
    for _ in range(20):
        plant.step(0.25, plant.electrical.lines)
    return plant.k2_closed


def noisy(plant: Plant) -> bool:
    return len({plant.inputs() for _ in range(50)}) > 5


def level_falls(plant: Plant) -> bool:
    before = plant.level_l
    go(plant, 30)
    return plant.level_l < before - 3.0 and plant.inputs().drain_closed is False


def barometer_sticks(plant: Plant) -> bool:
    shown = plant.barometer_kpa()
    plant.weather_kpa -= 2.0
    go(plant, 15)
    return plant.barometer_kpa() == shown


def pressure_falls(plant: Plant) -> bool:
    before = plant.pressure_kpa
    go(plant, 3600)
    return plant.pressure_kpa < before - 0.5


def _levels(name: str) -> dict[str, bool]:
    """Lines under which the input of READ_AS truly has the other level."""
    contact, level = READ_AS[name]
    if contact in ("k1_open", "mixer_proof", "vent_proof"):
        return HEAT if level is (contact == "k1_open") else OFF
    return OFF if contact != "k2_open" or level else OPEN


# name -> (levels on the lines, what shows it)
EFFECTS: dict[str, tuple[dict[str, bool], Callable[[Plant], bool]]] = {
    **{f"probe_{w}_{n}": (lv, f(w)) for w in "ab" for n, (lv, f) in {  # type: ignore[misc]
        "lost": (OFF, lambda w: reads(w, None)),
        "zero": (OFF, lambda w: reads(w, -0.0625)),
        "power_on": (OFF, lambda w: reads(w, 85.0)),
        "far": (OFF, lambda w: reads(w, -109.875)),
        "bursts": (OFF, loses),
        "stuck": (HEAT, stuck),
        "offset": (OFF, lambda w: off_by(w, 2.9, 3.1)),
        "drift": (OFF, lambda w: off_by(w, 4.5, 5.5, 1800.0)),
        "out_of_well": (OFF, reads_air),
        "loose": (OFF, lags),
        "nan": (OFF, is_nan),
    }.items()},
    "probes_swapped": (OFF, swapped),
    "k1_welded": (OFF, input_is("k1_open", False)),
    "k2_welded": (OPEN, input_is("k2_open", False)),
    "k1_open_circuit": (HEAT, input_is("k1_open", True)),
    "k2_open_circuit": (HEAT, input_is("k2_open", True)),
    "k1_chatter": (HEAT, chatters("k1_open")),
    "k2_chatter": (HEAT, chatters("k2_open")),
    "element_half": (HEAT, power(1450, 1550, **HEAT)),
    "element_double": (HEAT, power(5900, 6100, **HEAT)),
    "element_dead": (HEAT, power(0, 0, **HEAT)),
    "ssr_shorted": (OFF, power(2800, 3100, k1=True)),
    "ssr_leaks": (OFF, power(50, 70, k1=True)),
    "earth_fault": (HEAT, lambda p: not p.element_on and not p.inputs().mixer_proof),
    "cutout_open": (HEAT, lambda p: not p.inputs().cutout_closed and not p.k2_closed),
    "cutout2_open": (HEAT, input_is("cutout2_closed", False)),
    "beat_timer_stuck": (HEAT, outlives_the_beat),
    "beat_timer_dead": (HEAT, input_is("k2_open", True)),
    "mixer_stalled": (HEAT, lambda p: not p.inputs().mixer_proof and not p.mixer_on),
    "pump_dry": (HEAT, lambda p: p.mixer_on and not p.inputs().mixer_proof),
    "pump_gulps": (HEAT, chatters("mixer_proof", 20)),
    "mixer_runs_on": (OFF, input_is("mixer_proof", True)),
    "drain_open": (OFF, level_falls),
    "level_low": (HEAT, lambda p: not p.inputs().level_wet and not p.k1_closed),
    "level_stuck_wet": (OFF, input_is("level_wet", True)),
    "level_chatter": (HEAT, chatters("level_wet")),
    "lid_open": (OFF, input_is("lid_closed", False)),
    "vent_failed": (HEAT, input_is("vent_proof", False)),
    "vapour_high": (OFF, input_is("vapour_low", False)),
    "estop_pressed": (HEAT, lambda p: not p.inputs().estop_closed and not p.k2_closed),
    "estop_wire": (HEAT, lambda p: not p.inputs().estop_closed and not p.k2_closed),
    "sump_wet": (OFF, input_is("sump_dry", False)),
    "mains_lost": (HEAT, lambda p: not p.k1_closed and not p.k2_closed and not p.mixer_on),
    "mains": (HEAT, power(2400, 2460, **HEAT)),
    "coil_supply_lost": (HEAT, lambda p: not p.k1_closed and not p.k2_closed),
    "supply_low": (OFF, lambda p: p.supply_low()),
    "input_noise": (OFF, noisy),
    "barometer_lost": (OFF, lambda p: p.barometer_kpa() is None),
    "barometer_sea_level": (OFF, lambda p: p.barometer_kpa() == 101.33),
    "barometer_stuck": (OFF, barometer_sticks),
    "weather": (OFF, pressure_falls),
    "room": (OFF, lambda p: p.room_now_c() == 42.0),
    "line_k1_high": (OFF, lambda p: p.k1_closed),
    "line_k1_low": (HEAT, lambda p: not p.k1_closed),
    "line_ssr_high": ({"k1": True}, lambda p: p.element_on),
    "line_ssr_low": (HEAT, lambda p: p.k1_closed and not p.element_on),
    "line_mixer_high": (OFF, lambda p: p.mixer_on),
    "line_mixer_low": (HEAT, lambda p: not p.mixer_on),
    "line_air_high": (OFF, lambda p: p.electrical.air_on),
    "line_air_low": ({"air": True}, lambda p: not p.electrical.air_on),
    "line_vent_high": (OFF, input_is("vent_proof", True)),
    "line_vent_low": (HEAT, input_is("vent_proof", False)),
    "line_enable_high": (OPEN, lambda p: p.k2_closed),
    "line_enable_low": (HEAT, lambda p: not p.k2_closed),
    "line_beat_high": (HEAT, lambda p: not p.k2_closed),
    "line_beat_low": (HEAT, lambda p: not p.k2_closed),
    **{name: (_levels(name), input_is(*what)) for name, what in READ_AS.items()},
}


EASY = ("k1_mirror_stuck", "k2_mirror_stuck", "mixer_proof_stuck", "vent_proof_stuck",
        "green_stuck", "black_stuck", "blue_stuck")
# input -> what makes its contact truly read False, so that a stuck True shows
OTHERWISE: dict[str, Callable[[Plant], None]] = {
    "estop_closed": lambda p: setattr(p, "estop_pressed", True),
    "cutout_closed": lambda p: p.faults.start("cutout_open"),
    "cutout2_closed": lambda p: p.faults.start("cutout2_open"),
    "level_wet": lambda p: p.drain(100.0, 5.0),
    "lid_closed": lambda p: setattr(p, "lid_open", True),
    "vapour_low": lambda p: p.faults.start("vapour_high"),
    "sump_dry": lambda p: p.faults.start("sump_wet"),
    "drain_closed": lambda p: setattr(p, "drain_valve_open", True),
}


def prepare(name: str) -> Plant:
    plant = ready(**EFFECTS[name][0])
    if name == "level_stuck_wet":
        plant.drain(100.0, 5.0)
    if name in READ_AS and READ_AS[name][1] and name not in EASY:
        OTHERWISE[READ_AS[name][0]](plant)
    if name.endswith("_dead"):
        setattr(plant, name.partition("_")[0], True)
    go(plant, 10, **EFFECTS[name][0])
    return plant


def test_every_fault_of_the_table_is_tried_here() -> None:
    assert set(EFFECTS) == set(PLANT_ROWS)
    assert len(FAULTS) == len(PLANT_ROWS)


@pytest.mark.parametrize("name", sorted(PLANT_ROWS))
def test_a_fault_shows_itself_and_ends(name: str) -> None:
    levels, shows = EFFECTS[name]
    assert not shows(prepare(name)), "shown without the fault"
    plant = prepare(name)
    plant.faults.start(name)
    go(plant, 5, **levels)
    assert shows(plant), "not shown with the fault"
    plant.faults.end(name)
    go(plant, 600 if name.startswith("probe") else 5, **levels)
    if name == "beat_timer_stuck":
        go(plant, 5, **levels)
    assert not shows(plant), "still shown after the fault has ended"


def test_several_faults_act_together() -> None:
    plant = ready()
    plant.faults.start("k1_welded")
    plant.faults.start("k2_welded")
    plant.faults.start("probe_a_lost")
    plant.faults.start("ssr_shorted")
    for _ in range(40):
        plant.step(0.25, LOW)
    assert plant.element_on and plant.probe_a_c() is None
    plant.faults.end("k2_welded")
    for _ in range(4):
        plant.step(0.25, LOW)
    assert not plant.element_on and plant.probe_a_c() is None
    assert plant.faults.names() == ("k1_welded", "probe_a_lost", "ssr_shorted")


def test_both_contactors_welded_heat_until_the_cut_out_is_the_only_one_left_to_say_so() -> None:
    # hazards F-22: only the cut-out in the load would save it; here it opens the coil in vain
    plant = plant_with_oil(100.0, cutout_c=105.0)
    plant.faults.start("k1_welded")
    plant.faults.start("k2_welded")
    go(plant, 1800, beating=False)
    assert not plant.inputs().cutout_closed
    assert plant.element_on


def test_a_number_with_the_fault_replaces_the_tables_own() -> None:
    plant = ready()
    plant.faults.start("probe_b_offset", -1.5)
    go(plant, 2)
    read = plant.probe_b_c()
    assert read is not None and read - plant.probe_b.well_c == pytest.approx(-1.5, abs=0.05)


def test_an_unknown_fault_is_refused_with_the_nearest_name_and_changes_nothing() -> None:
    faults = Faults()
    with pytest.raises(ValueError, match="'k1_weld'; did you mean k1_welded"):
        faults.start("k1_weld")
    with pytest.raises(ValueError, match="no fault is called"):
        faults.end("zzz")
    assert not faults and faults.version == 0


def test_every_row_has_a_sentence_and_names_rows_of_the_catalogue() -> None:
    for row in ROWS.values():
        assert row.sentence.endswith(".") and len(row.sentence) > 15
        assert all(r.startswith("F-") and 1 <= int(r[2:]) <= 108 for r in row.rows)
        assert row.rows or row in PERSON_FAULTS
        assert (row.unit != "") or row.value == 1.0
        assert row.low <= row.value <= row.high
