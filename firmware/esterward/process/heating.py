"""The heater law: as fast as the vessel allows, and never past the mark.

It counts heat, not temperature. What the element still holds is already on its way into the
oil, so the law watches `stored_c` of heating_model.VesselModel: the oil's temperature once
that heat has gone over. Full power until the stored heat is enough, off, and then small
portions that replace the loss.

It refuses: any question without a good reading of the last 5.0 s, at or above the ceiling,
when its own prediction reaches the ceiling, and on any number that is not one. It is told
nothing about watts or litres.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from math import isfinite, log, nan
from typing import Any, Final

from esterward.process.heating_model import LEARNT, VesselModel
from esterward.values.plain import from_plain, to_plain

OLDEST_READING_S: Final = 5.0
READING_RANGE_C: Final = (-20.0, 125.0)
ELEMENTS: Final = ("ssr", "contactor")
# Off again at the aim, on again this far below it, K.
SSR_BAND_K: Final = 0.05
NEAR_K: Final = 0.4  # further below than this there is no band: every second counts
# A contactor: least time on and off, and from one closing to the next (30 cycles an hour).
CONTACTOR_LEAST_S: Final = 20.0
CONTACTOR_CYCLE_S: Final = 122.0
BELOW_CEILING_K: Final = 0.3
# No vessel loses more than this share of its element's rate where it is to be held; a belief
# above it comes from water boiling out, and would let the oil run past the mark afterwards.
MOST_LOSS_SHARE: Final = 0.5
CAUTION: Final = 1.0  # standard deviations of the prediction kept in hand


@dataclass(slots=True)
class _State:
    """Everything the law remembers; plain numbers of fixed count."""

    setpoint_c: float | None
    ceiling_c: float | None
    period_s: float
    element: str
    guess: dict[str, float]
    model: VesselModel = field(default_factory=VesselModel)
    now_s: float | None = None
    good_c: float | None = None
    good_at_s: float | None = None
    asked: bool = False
    switched_at_s: float | None = None
    closed_at_s: float | None = None
    cycles: int = 0


class HeaterControl:
    """Ask once a period whether the element is to be on for the next one.

    setpoint_c and ceiling_c in degC, settable at any time; period_s in s; element "ssr" or
    "contactor" (the latter keeps 20 s on and off and counts its cycles). learnt is what an
    earlier batch's learnt() gave: a guess to start from. ValueError on another element or a
    period outside 0.1..5 s.
    """

    __slots__ = ("_s",)

    def __init__(
        self,
        setpoint_c: float,
        ceiling_c: float,
        period_s: float = 1.0,
        element: str = "ssr",
        learnt: dict[str, float] | None = None,
    ) -> None:
        if element not in ELEMENTS:
            raise ValueError(f"element: {element!r} is not one of {', '.join(ELEMENTS)}")
        if not 0.1 <= period_s <= 5.0:
            raise ValueError(f"period_s: {period_s} is not within 0.1..5 s")
        guess = {name: float(value) for name, value in (learnt or {}).items()
                 if name in LEARNT and type(value) in (int, float) and abs(value) < 1e9}
        self._s = _State(_finite(setpoint_c), _finite(ceiling_c), period_s, element, guess)

    @property
    def setpoint_c(self) -> float:
        """Where the oil is to go, degC. NaN when it was set to no number: then never on."""
        return nan if self._s.setpoint_c is None else self._s.setpoint_c

    @setpoint_c.setter
    def setpoint_c(self, value: float) -> None:
        self._s.setpoint_c = _finite(value)

    @property
    def ceiling_c(self) -> float:
        """No heat is asked for at or above this, degC. NaN as for the setpoint."""
        return nan if self._s.ceiling_c is None else self._s.ceiling_c

    @ceiling_c.setter
    def ceiling_c(self, value: float) -> None:
        self._s.ceiling_c = _finite(value)

    @property
    def cycles(self) -> int:
        """How often the switch was closed."""
        return self._s.cycles

    @property
    def model(self) -> VesselModel:
        """What the law believes now; for showing, not for changing."""
        return self._s.model

    def learnt(self) -> dict[str, float]:
        """What was learnt of this vessel, for the next batch's guess; {} before any reading."""
        return self._s.model.learnt() if self._s.model.anchored else {}

    def to_plain(self) -> dict[str, Any]:
        """The whole state as plain numbers, text and lists, of fixed size."""
        plain: dict[str, Any] = to_plain(self._s)
        return plain

    @classmethod
    def from_plain(cls, plain: dict[str, Any]) -> HeaterControl:
        """The law that gave this, going on identically. ValueError when it does not fit."""
        control = cls(0.0, 0.0)
        control._s = from_plain(_State, plain)
        return control

    def interrupted(self) -> None:
        """After a restart: how long nothing was heated is not known, so all of it is doubted."""
        s = self._s
        s.now_s = s.good_c = s.good_at_s = s.closed_at_s = s.switched_at_s = None
        s.asked = False

    def update(self, now_s: float, oil_c: float | None, was_on: bool | None = None) -> bool:
        """Whether the element is to be on for the next period.

        now_s: monotonic s; oil_c: a new reading in degC or None for none this time; was_on:
        what the element really did since the last call (None: what was asked).
        """
        s = self._s
        before_s, s.now_s = s.now_s, now_s
        if not isfinite(now_s) or (before_s is not None and now_s < before_s):
            # Nothing timed before can be trusted; go on from the next good reading.
            s.now_s = now_s if isfinite(now_s) else None
            s.good_c = s.good_at_s = s.closed_at_s = None
            s.asked, s.switched_at_s = False, s.now_s
            return False
        usable = oil_c is not None and READING_RANGE_C[0] <= oil_c <= READING_RANGE_C[1]
        model = s.model
        if not model.anchored:
            if usable:
                assert oil_c is not None
                model.anchor(oil_c, s.guess)
        elif (before_s is None or now_s - before_s > OLDEST_READING_S
              or (usable and s.good_c is None)):
            gap_s = now_s - before_s if before_s is not None else OLDEST_READING_S
            model.rest(gap_s, oil_c if usable else None, was_on)
        else:
            on = s.asked if was_on is None else was_on
            model.step(now_s - before_s, on, oil_c if usable else None)
            if not model.sound():
                s.model = VesselModel()
                s.good_c = s.good_at_s = None
                return self._answer(False, now_s)
        if usable:
            s.good_c, s.good_at_s = oil_c, now_s
        elif oil_c is not None:
            return self._answer(False, now_s)
        setpoint_c, ceiling_c = s.setpoint_c, s.ceiling_c
        if (
            s.good_c is not None and s.good_at_s is not None
            and setpoint_c is not None and ceiling_c is not None
            and now_s - s.good_at_s <= OLDEST_READING_S
            and s.good_c < ceiling_c and model.stored_c < ceiling_c
        ):
            return self._answer(
                self._wanted(now_s, min(setpoint_c, ceiling_c - BELOW_CEILING_K)), now_s)
        return self._answer(False, now_s)

    def _answer(self, on: bool, now_s: float) -> bool:
        s = self._s
        if on != s.asked:
            s.asked = on
            s.switched_at_s = now_s
            if on:
                s.cycles += 1
                s.closed_at_s = now_s
        return on

    def _wanted(self, now_s: float, aim_c: float) -> bool:
        """On while the peak, were it switched off now, stays below the aim."""
        s = self._s
        model = s.model
        if s.element == "contactor":
            return self._wanted_contactor(now_s, aim_c)
        far = s.asked or model.oil_c < aim_c - NEAR_K
        level_c = aim_c if far else aim_c - SSR_BAND_K
        return self._peak_c(aim_c) + 0.5 * s.period_s * model.rate_k_s < level_c

    def _peak_c(self, aim_c: float) -> float:
        """The oil's highest temperature if the element went off now, with caution.

        Off, the element's heat dies away with its lag while the loss goes on:
        oil(t) = oil + held (1 - exp(-t/lag)) - loss t, highest where held exp(-t/lag) equals
        loss * lag. At rest the element still holds just that much, so the same line serves
        heating up and holding.
        """
        model = self._s.model
        peak_c = model.stored_c + CAUTION * model.stored_sd_k()
        if peak_c < aim_c:
            return peak_c  # the loss only lowers it
        loss = min(model.loss_at(aim_c), MOST_LOSS_SHARE * model.rate_k_s)
        resting_k = max(0.0, loss) * model.element_s
        held_k = model.stored_c - model.oil_c
        if held_k > resting_k > 1e-6:
            return peak_c - resting_k * (1.0 + log(held_k / resting_k))
        return peak_c - resting_k

    def _wanted_contactor(self, now_s: float, aim_c: float) -> bool:
        s = self._s
        model = s.model
        since_s = now_s - s.switched_at_s if s.switched_at_s is not None else CONTACTOR_CYCLE_S
        if since_s < CONTACTOR_LEAST_S:
            return s.asked
        duty = min(1.0, max(0.0, model.loss_at(aim_c) / model.rate_k_s))
        rise_k = model.rate_k_s * max(
            CONTACTOR_LEAST_S * (1.0 - duty), CONTACTOR_CYCLE_S * duty * (1.0 - duty))
        peak_c = self._peak_c(aim_c)
        if s.asked:
            return peak_c + 0.5 * s.period_s * model.rate_k_s < aim_c + 0.5 * rise_k
        if s.closed_at_s is not None and now_s - s.closed_at_s < CONTACTOR_CYCLE_S:
            return False
        return peak_c < aim_c - 0.5 * rise_k


def _finite(value: float) -> float | None:
    return value if isfinite(value) else None
