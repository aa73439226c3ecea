"""The person at the reactor: answers what the controller asks, with hands and buttons.

Kinds: "prompt" answers within a minute, "slow" within a quarter of an hour, "absent" starts
the batch and is not seen again, "wrong-order" first makes the wrong gesture and only then the
right one, "double-press" presses everything twice. What a person does wrong once is a fault
(plant/faults.py, PERSON_FAULTS). A person knows what the lamp, horn and terminal say and what
eyes and hands can find out; never the controller's state.
"""

from __future__ import annotations

import re
from collections import deque
from random import Random
from typing import Any, Final, Protocol

from esterward.chemistry.sheet import Sheet
from esterward.values.batch import Batch
from esterward.values.requests import OBSERVE, RESET, Request
from esterward.values.status import Status
from esterward_sim.plant import Plant
from esterward_sim.plant.contents import KG_BASE
from esterward_sim.plant.dose import METHOXIDE

KINDS: Final = ("prompt", "slow", "absent", "wrong-order", "double-press")
SOON_S: Final = (15.0, 60.0)
DELAYS_S: Final = {kind: (300.0, 900.0) if kind == "slow" else SOON_S for kind in KINDS}
SHORT_S: Final = 0.75
HELD_S: Final = {"green": 2.75, "black": 5.75, "blue": 5.75}
TAP_PH: Final = 7.2
SOAP_PASSES_MG_PER_KG: Final = 66.0   # Na + K 5 mg/kg as sodium oleate; derived, EN 14214 limit
WATER_PASSES_MG_PER_KG: Final = 500.0  # EN 14214
LOOKS_S: Final = (60.0, 300.0, 900.0)  # how long the cause is looked for before each reset
GAINED_S: Final = 600.0       # a step that ran this long between two holds got somewhere
METHOXIDE_C: Final = 45.0     # the question says: below 45 degC
COOLS_S: Final = 600.0        # how often the can is looked at again
# How a question says what to mix. Where it names no numbers nothing is mixed.
MIX: Final = re.compile(r"(\d+(?:\.\d+)?) g of \w+ (?:slowly )?into (\d+(?:\.\d+)?) L of methanol",
                        re.IGNORECASE)
SECOND_POUR_S: Final = 300.0
STOPPED: Final = ("held", "aborted", "stopped")
DONE_AS: Final = {"filled": "sheet", "wash_drain": "drain_water",
                  "drain_first": "drain_last", "drain_between": "drain_last",
                  "dissolve_share": "dissolve", "dissolve_second": "dissolve"}
BASE_GONE_WRONG: Final = {"KOH": KG_BASE["KOH"] / KG_BASE["NaOH"],
                          "NaOH": KG_BASE["NaOH"] / KG_BASE["KOH"]}


def mix_told(text: str) -> tuple[float, float] | None:
    """(litres of methanol, grams of catalyst) that a question asks for, None when it does not."""
    found = MIX.search(text)
    return (float(found[2]), float(found[1])) if found is not None else None


class Printed(Protocol):
    """Who prints the batch sheet."""

    @property
    def sheet(self) -> Sheet: ...


class Person:
    """Steps with the plant; `requests` are what is typed on the machine, taken by the rig.

    What hands are about to do is a queue of plain tuples, so that a person can be copied in
    the middle of a pour: ("wait", s), ("set", attribute, level), ("hands", method, numbers),
    ("flowed",), ("dissolved",), ("pour",), ("tell", observation, number), ("titrate",),
    ("reason", fault code).
    """

    def __init__(self, kind: str, plant: Plant, batch: Batch, printed: Printed,
                 seed: int = 1) -> None:
        if kind not in KINDS:
            raise ValueError(f"person must be one of {', '.join(KINDS)}, not {kind!r}")
        self.kind, self.plant, self.batch, self.printed = kind, plant, batch, printed
        self.rng = Random(seed * 7919 + 1)
        self.requests: list[Request] = []
        self.now_s = 0.0
        self._looked_at: Status | None = None  # the picture seen last, and what it calls for
        self._what = ""
        self._seen = ""
        self._at_s: float | None = None
        self._queue: deque[tuple[Any, ...]] = deque()
        self._until_s: float | None = None
        self._can: tuple[float, float, float] | None = None  # litres, grams, s to pour over
        self._dissolved_s = 0.0
        self._hot = False  # told last that the can was too hot
        self._resets: dict[str, int] = {}  # tries of each latch
        self._held: tuple[str, float, int] = ("", 0.0, 0)  # step, its seconds, tries in vain
        self._typed = 0
        self._started = False

    def step(self, now_s: float, status: Status | None) -> None:
        """One look at the reactor and one bit of doing."""
        self.now_s = now_s
        away = "person_away" in self.plant.faults
        if (status is None or status.state in STOPPED) and not away and self.plant.streams:
            self._shut_valve()
        if away:
            self._let_go()
            return
        if self._queue:
            if self._done(self._queue[0]):
                self._queue.popleft()
                self._until_s = None
            return
        if status is None:
            return
        if status.state == "running":
            self._started = True
        if self.kind == "absent" and self._started and status.stage not in ("", "fill"):
            return
        if status is not self._looked_at:
            self._looked_at, self._what = status, self._wanted(status)
        what = self._what
        if what and "person_blind" in self.plant.faults:
            self._press("green")
            return
        if what != self._seen:
            self._seen, self._at_s = what, None
        if not what:
            return
        if self._at_s is None:
            low, high = DELAYS_S[self.kind]
            self._at_s = now_s + self.rng.uniform(low, high)
        if now_s >= self._at_s:
            self._seen, self._at_s = "", None
            self._do(status)

    def _wanted(self, status: Status) -> str:
        """What calls for this person, as a key; empty when nothing does."""
        if status.prompt:
            return f"{status.prompt} {status.step} {status.repeat} {status.state}"
        if any(alarm.state == "unacknowledged" for alarm in status.alarms):
            return "alarm"
        return ""

    # -- hands ------------------------------------------------------------------------------

    def _let_go(self) -> None:
        """Walk away from whatever was being done; a pour runs on."""
        if self._queue:
            self._queue.clear()
            self._until_s = None
            for button in HELD_S:
                setattr(self.plant, button, False)
        self._seen, self._at_s = "", None

    def _shut_valve(self) -> None:
        """Everything has stopped: shut the methoxide valve, the rest stays in the can."""
        left = [s for s in self.plant.streams if s.kind == METHOXIDE]
        if left:
            self._can = (sum(s.left_l for s in left), sum(s.catalyst_g for s in left),
                         sum(s.left_l / s.l_per_s for s in left))
            self.plant.stop_pouring()
            self._queue.clear()
            self._until_s = None

    def _done(self, action: tuple[Any, ...]) -> bool:
        """Go on with the first action; True when it is finished."""
        what = action[0]
        if what == "wait":
            if self._until_s is None:
                self._until_s = self.now_s + action[1]
            return self.now_s >= self._until_s
        if what == "flowed":
            return not self.plant.pouring
        if what == "set":
            setattr(self.plant, action[1], action[2])
        elif what == "hands":
            getattr(self.plant, action[1])(*action[2:])
        elif what == "dissolved":
            return self._cool()
        elif what == "pour":
            self._pour()
        elif what == "tell":
            self._tell(action[1], action[2])
        elif what == "reason":
            self._typed += 1
            self.requests.append(Request(f"typed-{self._typed}", RESET, "local", action[1],
                                         text="looked at and mended"))
        else:
            self._tell("titration_ml", self.plant.titration_ml())
        return True

    def _plan(self, *actions: tuple[Any, ...]) -> None:
        self._queue.extend(actions)

    def _press(self, *buttons: str, held: bool = False) -> None:
        if self.kind == "wrong-order":  # held for short, and the other way round
            self._push(buttons if len(buttons) == 1 else ("green",), not held)
        self._push(buttons, held)
        if self.kind == "double-press":
            del self._queue[-1]  # again at once
            self._plan(("wait", 0.5))
            self._push(buttons, held)

    def _push(self, buttons: tuple[str, ...], held: bool) -> None:
        seconds = max(HELD_S[button] for button in buttons) if held else SHORT_S
        self._plan(*[("set", button, True) for button in buttons], ("wait", seconds),
                   *[("set", button, False) for button in buttons], ("wait", 2.5))

    def _tell(self, name: str, value: float) -> None:
        self._typed += 1
        self.requests.append(Request(f"typed-{self._typed}", OBSERVE, "local", name,
                                     round(value, 3)))

    # -- answers ----------------------------------------------------------------------------

    def _do(self, status: Status) -> None:
        if status.prompt == "latch":
            self._reset(status)
            return
        handler = getattr(self, f"_do_{DONE_AS.get(status.prompt, status.prompt)}", None)
        if handler is not None:
            handler(status)
        elif status.prompt:
            self._press("green")
        else:
            self._press("blue")

    def _reset(self, status: Status) -> None:
        code = status.first_out
        tries = self._resets.get(code, 0)
        if tries >= len(LOOKS_S) and "person_resets_again" not in self.plant.faults:
            return
        self._resets[code] = tries + 1
        self._held = "", 0.0, 0  # its cause is looked for here
        self._plan(("wait", LOOKS_S[min(tries, len(LOOKS_S) - 1)]))
        if "record reset" in status.answers and "person_resets_again" not in self.plant.faults:
            self._plan(("reason", code))
        self._plan(("hands", "reset_cutout"))
        self._press("blue", held=True)

    def _do_start(self, status: Status) -> None:
        text = status.prompt_text
        for check, name in (("e-stop:", "estop_pressed"), ("level:", "float_lifted"),
                            ("lid:", "lid_open")):
            if check in text:
                self._plan(("set", name, True), ("wait", 2.0),
                           ("set", name, False), ("wait", 2.0))
        if "Still to check" not in text:
            self._press("green", held=True)

    def _do_valve(self, status: Status) -> None:
        self._plan(("hands", "stop_pouring"))  # the valve is no button

    def _do_washed(self, status: Status) -> None:
        self._press("green", "blue", held=True)

    def _do_fill(self, status: Status) -> None:
        litres = self.batch.oil_volume_l * self._share("oil_share")
        self._plan(("hands", "pour_oil", litres, self.batch.oil_start_c, 600.0))
        self._plan(("flowed",))
        self._plan(("wait", 15.0))
        self._press("blue")

    def _do_melt(self, status: Status) -> None:
        if self.plant.flows:  # else looked at again soon
            self._press("green", held=True)

    def _do_try(self, status: Status) -> None:
        self._plan(("set", "green", True), ("wait", 14.0 if self.plant.flows else 3.0),
                   ("set", "green", False), ("wait", 2.5))
        if not self.plant.flows:
            self._press("blue")

    def _do_drain_water(self, status: Status) -> None:
        self._plan(("hands", "drain_water"))
        self._plan(("flowed",))
        self._press("green")

    def _do_waits(self, status: Status) -> None:
        if status.prompt_text.startswith("Batch sheet not complete"):
            self._titrate()
        elif status.prompt_text.startswith("The methoxide was told"):
            self._plan(("dissolved",))

    def _titrate(self) -> None:
        for _ in range(3):
            self._plan(("wait", 240.0))
            self._plan(("titrate",))
        self._plan(("wait", 5.0))

    def _do_sheet(self, status: Status) -> None:
        self._press("green", held=True)

    def _do_held(self, status: Status) -> None:
        """Go on; held again with nothing gained, look longer each time, and in the end leave it."""
        step, ran_s, tries = self._held
        if status.step != step or not 0.0 <= status.step_s - ran_s < GAINED_S:
            tries = 0
        if tries > len(LOOKS_S):
            return
        self._held = status.step, status.step_s, tries + 1
        if tries:
            self._plan(("wait", LOOKS_S[tries - 1]))
        self._press("green", held=True)

    def _do_dose_gate(self, status: Status) -> None:
        if self.kind == "wrong-order":  # another titration, now that the methoxide is made
            self._tell("titration_ml", 9.0)
        self._press("green", held=True)

    def _share(self, fault: str) -> float:
        """The number of a fault that makes a person do less or more than asked."""
        share = self.plant.faults.get(fault)
        return 1.0 if share is None else share

    def _do_dissolve(self, status: Status) -> None:
        """Mix what the question says: the controller's words are all a person goes by."""
        told = mix_told(status.prompt_text)
        if told is not None:
            second = status.prompt == "dissolve_second"
            self._mix_can(*told, SECOND_POUR_S if second else self.batch.pour_min * 60.0)

    def _mix_can(self, litres: float, grams: float, over_s: float) -> None:
        """Make the methoxide of one dose up, look at it until it is cool; poured over over_s."""
        if self._can is None:  # asked again after a stop: it stands there already
            grams *= self._share("catalyst_share")
            if "base_mistaken" in self.plant.faults:
                grams *= BASE_GONE_WRONG[self.batch.catalyst_kind]
            self._can = litres, grams, over_s
            dissolve_s = self.batch.dissolve_min * 60.0
            self._dissolved_s = self.now_s + dissolve_s
            self._plan(("wait", dissolve_s))
        self._plan(("dissolved",), ("wait", 2.0))
        self._press("green")

    def _can_c(self) -> float:
        """How warm the can of methoxide is now."""
        if self._can is None:
            return self.batch.methanol_start_c
        warm_c = self.plant.faults.get("methanol_warm")
        return self.plant.methoxide_c(
            *self._can[:2], self.batch.methanol_start_c if warm_c is None else warm_c,
            max(0.0, self.now_s - self._dissolved_s))

    def _cool(self) -> bool:
        """True once the can is cool; what is too hot is told, and looked at again later."""
        if self._until_s is not None and self.now_s < self._until_s:
            return False
        can_c = self._can_c()
        cool = can_c <= METHOXIDE_C
        if not cool or self._hot:
            self._tell("methoxide_c", can_c)
        self._hot = not cool
        self._until_s = self.now_s + COOLS_S
        return cool

    def _pour(self) -> None:
        """What is in the can, if anything is left in it, runs in."""
        if self._can is not None:
            litres, grams, over_s = self._can
            self.plant.pour_methoxide(litres, grams, self._can_c(),
                                      over_s * self._share("pour_share"))
            self._can = None

    def _do_poured(self, status: Status) -> None:
        self._plan(("pour",), ("flowed",))
        self._press("green")

    def _do_check(self, status: Status) -> None:
        self._plan(("wait", 300.0))
        clear = self.plant.conversion_check()
        if not clear:
            self._tell("unreacted_ml", min(3.0, max(0.0, self.plant.unreacted_ml)))
        self._press("green" if clear else "blue")

    def _do_drain_last(self, status: Status) -> None:
        litres = self.plant.glycerol_l
        if litres > 0.05:
            self._plan(("hands", "drain", litres, 600.0))
            self._plan(("flowed",))
            self._plan(("tell", "glycerol_l", litres))
        self._press("green")

    def _do_wash_water(self, status: Status) -> None:
        planned = self.printed.sheet.wash_water_l
        litres = planned[min(status.repeat, len(planned)) - 1]
        self._plan(("hands", "add_wash_water", litres, 600.0))
        self._plan(("flowed",))
        self._press("green")

    def _do_wash_clear(self, status: Status) -> None:
        self._press("green" if self.plant.water_is_clear() else "blue")

    def _do_wash_ph(self, status: Status) -> None:
        self._press("green" if abs(self.plant.wash_ph() - TAP_PH) <= 0.6 else "blue")

    def _do_wash_soap(self, status: Status) -> None:
        self._press("green" if self.plant.soap_ppm() <= SOAP_PASSES_MG_PER_KG else "blue")

    def _do_dry(self, status: Status) -> None:
        dry = self.plant.water_mg_per_kg() <= WATER_PASSES_MG_PER_KG
        self._press("green" if dry else "blue")
