"""Any sensible reactor and any order of hands: numbers stay finite, books stay closed."""

from math import isfinite

from hypothesis import given, settings
from hypothesis import strategies as st

from esterward.values.reactor import Reactor
from esterward_sim.plant import Plant
from plant.plant_rig import BATCH, go

reactors = st.builds(
    Reactor,
    vessel_l=st.floats(20.0, 400.0),
    element_w=st.floats(500.0, 9000.0),
    loss_w_per_k=st.floats(0.5, 30.0),
    altitude_m=st.floats(0.0, 3500.0),
    room_c=st.floats(-5.0, 35.0),
    element_switch=st.sampled_from(["contactor", "ssr"]),
)
acts = st.lists(
    st.tuples(
        st.sampled_from(["oil", "methoxide", "water", "drain", "drain water", "heat", "mix", "air",
                         "stand", "stop", "lid"]),
        st.floats(0.01, 0.6), st.floats(0.0, 600.0),
    ),
    min_size=1, max_size=8,
)


@settings(max_examples=60, deadline=None, derandomize=True, database=None)
@given(reactor=reactors, acts=acts, fill=st.floats(0.1, 0.8))
def test_whatever_a_person_does_the_numbers_stay_finite_and_the_books_close(
    reactor: Reactor, acts: list[tuple[str, float, float]], fill: float
) -> None:
    plant = Plant(reactor, BATCH)
    vessel_l = reactor.vessel_l
    plant.pour_oil(fill * vessel_l, reactor.room_c, 10.0)
    go(plant, 15)
    levels: dict[str, bool] = {}
    through_j = 1e5
    for act, share, seconds in acts:
        litres = share * vessel_l
        if act == "oil":
            plant.pour_oil(litres, 20.0 + 60.0 * share, seconds)
            through_j += litres * 2e5
        elif act == "methoxide":
            plant.pour_methoxide(litres, litres * 50.0, 30.0, seconds)
            through_j += litres * 1e5
        elif act == "water":
            plant.add_wash_water(litres, seconds)
            through_j += litres * 2e5
        elif act == "drain":
            plant.drain(litres, seconds)
            through_j += litres * 2e5
        elif act == "drain water":
            plant.drain_water()
        elif act == "stop":
            plant.stop_pouring()
        elif act == "lid":
            plant.lid_open = not plant.lid_open
        levels = {"heat": {"k1": True, "ssr": True, "mixer": True}, "mix": {"mixer": True},
                  "air": {"air": True}, "stand": {}}.get(act, levels)
        go(plant, 600, **levels)
        c = plant.contents
        for name in type(c).__dataclass_fields__:
            value = getattr(c, name)
            assert value is None or (isfinite(value) and value >= -1e-9), name
        for value in (plant.oil_c, plant.element_c, plant.thermal.wall_c, plant.glycerol_l,
                      plant.water_l, plant.vapour.headspace, plant.level_l):
            assert isfinite(value)
        assert -10.0 < plant.oil_c < 200.0
        assert 0.0 <= plant.vapour.headspace <= 1.0
        assert 0.0 <= plant.level_l <= vessel_l + 1e-6
    through_j += plant.thermal.element_j + plant.thermal.pump_j
    assert abs(plant.energy_error_j()) < 2e-3 * through_j
