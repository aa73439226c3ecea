"""What the batch sheet lets in of each dose, beside what was asked for and what truly went in.

Which dose it is comes from the steps gone through, never from the controller's own count, and
what a further dose treats from what was told; so neither a word nor a counter can allow more.
What goes in is summed over the doses begun: what stayed in the can may go in with a later one.
"""

from __future__ import annotations

from typing import Final

from esterward.chemistry.charge import second_dose
from esterward.chemistry.sheet import Sheet
from esterward.values.status import Status
from esterward_sim.person import mix_told
from esterward_sim.plant import Plant, dose

MIXED_AT: Final = ("dissolve", "dissolve_share", "dissolve_second")  # questions that name a dose
UNTOLD_ML: Final = 0.3      # design: where nobody told how much is unreacted, a trace
FURTHER: Final = 2          # design: so many further doses, whatever the check says
# Litres with one digit and grams with none, four doses at most: never more than these.
ABOVE_L, ABOVE_G, ABOVE_SHARE = 0.2, 2.0, 0.02
HALF_A_DIGIT: Final = 0.505
HAND: Final = frozenset(("catalyst_share", "base_mistaken"))  # a hand that weighs otherwise


class Doses:
    """Litres and grams that may be in, are in, and were asked for; None until there is a dose.

    asked_digits: how far the question is from the sheet, in its own last digits.
    """

    def __init__(self) -> None:
        self.share, self.further = 0, 0
        self.unreacted_ml = UNTOLD_ML
        self.begun: dict[tuple[int, int], tuple[float, float]] = {}
        self.allowed_l: float | None = None
        self.allowed_g: float | None = None
        self.asked_digits: float | None = None
        self.poured_l = self.poured_g = 0.0
        self._pours: list[tuple[dose.Stream, float, float]] = []
        self._read: Status | None = None

    def pours(self, plant: Plant) -> None:
        """A valve that is shut keeps what is left in the can: that was not poured."""
        for stream in plant.streams:
            if stream.kind == dose.METHOXIDE and all(stream is not s for s, *_ in self._pours):
                self._pours.append((stream, stream.left_l, stream.catalyst_g))
        if self._pours:
            self.poured_l = sum(litres - s.left_l for s, litres, _ in self._pours)
            self.poured_g = sum(grams - s.catalyst_g for s, _, grams in self._pours)

    def look(self, entered: str, sheet: Sheet, status: Status | None, plant: Plant) -> None:
        """The step that was entered just now, "" for none, and what is asked."""
        if entered == "methoxide.share":
            self.share += 1
        elif entered == "methoxide.second":
            self.further += 1
        elif entered == "check.ask":
            self.unreacted_ml = UNTOLD_ML  # what was told is of the dose before
        elif entered == "dose.pour":
            self._allow(sheet, plant)
        if status is not self._read:
            self._read = status
            self.asked_digits = (self._asked(sheet, status.prompt_text) if status is not None
                                 and status.prompt in MIXED_AT else None)

    def _allow(self, sheet: Sheet, plant: Plant) -> None:
        self.begun[self.share, self.further] = self._dose(sheet)
        litres = sum(each for each, _ in self.begun.values())
        grams = sum(each for _, each in self.begun.values())
        self.allowed_l = litres + max(ABOVE_L, ABOVE_SHARE * litres)
        self.allowed_g = grams + max(ABOVE_G, ABOVE_SHARE * grams)
        if not HAND.isdisjoint(plant.faults.names()):
            self.allowed_g = None

    def _dose(self, sheet: Sheet) -> tuple[float, float]:
        """Litres and grams of the dose under way, 0 of one that is not on the sheet."""
        base, spirit = sheet.catalyst, sheet.methanol
        if base is None or spirit is None or self.further > FURTHER:
            return 0.0, 0.0
        if self.further:
            more = second_dose(self.unreacted_ml, sheet.oil_l, base, spirit)
            return more.methanol_l, more.mass_g
        parts = [(part.methanol_l, part.mass_g) for part in sheet.stages]
        parts = parts or [(spirit.volume_l, base.mass_g)]
        return parts[self.share] if self.share < len(parts) else (0.0, 0.0)

    def _asked(self, sheet: Sheet, text: str) -> float:
        told, (litres, grams) = mix_told(text), self._dose(sheet)
        if told is None:
            return 1e9
        return max(abs(told[0] - litres) / 0.1, abs(told[1] - grams))
