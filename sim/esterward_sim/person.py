"""The person at the reactor: answers what the controller asks, with hands and buttons.

Kinds: "prompt" answers within a minute, "slow" within a quarter of an hour, "absent" starts
the batch and is not seen again. A person knows what the lamp, horn and terminal say and what
eyes and hands can find out; never the controller's state.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable
from random import Random
from typing import Final

from esterward.chemistry.charge import second_dose
from esterward.chemistry.sheet import Sheet
from esterward.values.batch import Batch
from esterward.values.requests import OBSERVE, RESET, Request
from esterward.values.status import Status
from esterward_sim.plant import Plant

KINDS: Final = ("prompt", "slow", "absent")
DELAYS_S: Final = {"prompt": (15.0, 60.0), "slow": (300.0, 900.0), "absent": (15.0, 60.0)}
SHORT_S: Final = 0.75
HELD_S: Final = {"green": 2.75, "black": 5.75, "blue": 5.75}
TAP_PH: Final = 7.2
SOAP_PASSES_MG_PER_KG: Final = 66.0   # Na + K 5 mg/kg as sodium oleate; derived, EN 14214 limit
WATER_PASSES_MG_PER_KG: Final = 500.0  # EN 14214
RESETS: Final = 3

Action = Callable[[], bool]  # True when it is finished


class Person:
    """Steps with the plant; `requests` are what is typed on the machine, taken by the rig."""

    def __init__(self, kind: str, plant: Plant, batch: Batch, sheet: Callable[[], Sheet],
                 seed: int = 1) -> None:
        if kind not in KINDS:
            raise ValueError(f"person must be one of {', '.join(KINDS)}, not {kind!r}")
        self.kind, self.plant, self.batch, self.sheet = kind, plant, batch, sheet
        self.rng = Random(seed * 7919 + 1)
        self.requests: list[Request] = []
        self.now_s = 0.0
        self.asked: list[str] = []
        self._seen = ""
        self._at_s: float | None = None
        self._queue: deque[Action] = deque()
        self._until_s: float | None = None
        self._second = False
        self._resets = 0
        self._typed = 0
        self._started = False

    def step(self, now_s: float, status: Status | None) -> None:
        """One look at the reactor and one bit of doing."""
        self.now_s = now_s
        if self._queue:
            if self._queue[0]():
                self._queue.popleft()
                self._until_s = None
            return
        if status is None:
            return
        if status.state == "running":
            self._started = True
        if self.kind == "absent" and self._started and status.stage not in ("", "fill"):
            return
        what = self._wanted(status)
        if what != self._seen:
            self._seen, self._at_s = what, None
        if not what:
            return
        if self._at_s is None:
            low, high = DELAYS_S[self.kind]
            self._at_s = now_s + self.rng.uniform(low, high)
            self.asked.append(status.prompt or "alarm")
        if now_s >= self._at_s:
            self._seen, self._at_s = "", None
            self._do(status)

    def _wanted(self, status: Status) -> str:
        """What calls for this person, as a key; empty when nothing does."""
        if status.prompt:
            return f"{status.prompt} {status.step} {status.repeat} {status.state}"
        if status.prompt_text.startswith("Batch sheet not complete"):
            return "sheet incomplete"
        if any(alarm.state == "unacknowledged" for alarm in status.alarms):
            return "alarm"
        return ""

    # -- hands ------------------------------------------------------------------------------

    def _wait(self, seconds: float) -> None:
        def action() -> bool:
            if self._until_s is None:
                self._until_s = self.now_s + seconds
            return self.now_s >= self._until_s
        self._queue.append(action)

    def _call(self, work: Callable[[], object]) -> None:
        def action() -> bool:
            work()
            return True
        self._queue.append(action)

    def _flowed(self) -> None:
        self._queue.append(lambda: not self.plant.pouring)

    def _press(self, *buttons: str, held: bool = False) -> None:
        def set_all(level: bool) -> None:
            for button in buttons:
                setattr(self.plant, button, level)
        seconds = max(HELD_S[button] for button in buttons) if held else SHORT_S
        self._call(lambda: set_all(True))
        self._wait(seconds)
        self._call(lambda: set_all(False))
        self._wait(2.5)

    def _tell(self, name: str, value: float) -> None:
        self._typed += 1
        self.requests.append(Request(f"typed-{self._typed}", OBSERVE, "local", name,
                                     round(value, 3)))

    # -- answers ----------------------------------------------------------------------------

    def _do(self, status: Status) -> None:
        if status.prompt == "latch":
            self._reset(status)
            return
        handler = getattr(self, f"_do_{status.prompt}", None)
        if handler is not None:
            handler(status)
        elif status.prompt_text.startswith("Batch sheet not complete"):
            self._titrate()
        elif status.prompt:
            self._press("green")
        else:
            self._press("blue")

    def _reset(self, status: Status) -> None:
        if self._resets >= RESETS:
            return
        self._resets += 1
        self._wait(60.0)
        if "record reset" in status.answers:
            self._typed += 1
            self.requests.append(Request(f"typed-{self._typed}", RESET, "local",
                                         status.first_out, text="looked at and mended"))
        self.plant.reset_cutout()
        self._press("blue", held=True)

    def _do_start(self, status: Status) -> None:
        text, plant = status.prompt_text, self.plant
        for check, name in (("e-stop:", "estop_pressed"), ("level:", "float_lifted"),
                            ("lid:", "lid_open")):
            if check in text:
                self._call(lambda name=name: setattr(plant, name, True))  # type: ignore[misc]
                self._wait(2.0)
                self._call(lambda name=name: setattr(plant, name, False))  # type: ignore[misc]
                self._wait(2.0)
        if "Still to check" not in text:
            self._press("green", held=True)

    def _do_washed(self, status: Status) -> None:
        self._press("green", "blue", held=True)

    def _do_fill(self, status: Status) -> None:
        self._call(lambda: self.plant.pour_oil(self.batch.oil_volume_l, self.batch.oil_start_c,
                                               600.0))
        self._flowed()
        self._wait(15.0)
        self._press("green")

    def _do_drain_water(self, status: Status) -> None:
        self._call(self.plant.drain_water)
        self._flowed()
        self._press("green")

    def _titrate(self) -> None:
        for _ in range(3):
            self._wait(240.0)
            self._call(lambda: self._tell("titration_ml", self.plant.titration_ml()))
        self._wait(5.0)

    def _do_sheet(self, status: Status) -> None:
        self._press("green", held=True)

    def _do_dissolve(self, status: Status) -> None:
        self._wait(self.batch.dissolve_min * 60.0)
        self._press("green")

    def _do_dissolve_second(self, status: Status) -> None:
        self._second = True
        self._do_dissolve(status)

    def _do_dose_gate(self, status: Status) -> None:
        self._press("green", held=True)

    def _do_poured(self, status: Status) -> None:
        sheet = self.sheet()
        if sheet.methanol is None or sheet.catalyst is None:
            return
        litres, grams = sheet.methanol.volume_l, sheet.catalyst.mass_g
        over_s = self.batch.pour_min * 60.0
        if self._second:
            dose = second_dose(min(3.0, self.plant.unreacted_ml), sheet.oil_l, sheet.catalyst,
                               sheet.methanol)
            litres, grams, over_s = dose.methanol_l, dose.mass_g, 300.0
        self._call(lambda: self.plant.pour_methoxide(litres, grams, 25.0, over_s))
        self._flowed()
        self._press("green")

    def _do_check(self, status: Status) -> None:
        self._wait(300.0)
        clear = self.plant.conversion_check()
        if not clear:
            self._tell("unreacted_ml", min(3.0, max(0.0, self.plant.unreacted_ml)))
        self._press("green" if clear else "blue")

    def _do_first_drain(self, status: Status) -> None:
        self._press("green")

    def _drain_glycerol(self) -> None:
        litres = self.plant.glycerol_l
        if litres > 0.05:
            self._call(lambda: self.plant.drain(litres, 600.0))
            self._flowed()
            self._call(lambda: self._tell("glycerol_l", litres))
        self._press("green")

    def _do_drain_first(self, status: Status) -> None:
        self._drain_glycerol()

    def _do_drain_last(self, status: Status) -> None:
        self._drain_glycerol()

    def _do_wash_water(self, status: Status) -> None:
        wash = self.batch.washes[min(status.repeat, len(self.batch.washes)) - 1]
        litres = wash.share * self.batch.oil_volume_l
        self._call(lambda: self.plant.add_wash_water(litres, 600.0))
        self._flowed()
        self._press("green")

    def _do_wash_drain(self, status: Status) -> None:
        self._do_drain_water(status)

    def _do_wash_clear(self, status: Status) -> None:
        self._press("green" if self.plant.water_is_clear() else "blue")

    def _do_wash_ph(self, status: Status) -> None:
        self._press("green" if abs(self.plant.wash_ph() - TAP_PH) <= 0.6 else "blue")

    def _do_wash_soap(self, status: Status) -> None:
        self._press("green" if self.plant.soap_ppm() <= SOAP_PASSES_MG_PER_KG else "blue")

    def _do_dry(self, status: Status) -> None:
        dry = self.plant.water_mg_per_kg() <= WATER_PASSES_MG_PER_KG
        self._press("green" if dry else "blue")

    def _do_held(self, status: Status) -> None:
        self._press("green", held=True)
