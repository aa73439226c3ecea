"""Presses of the three buttons turned into gestures.

Both the controller and the guard step one of these, each for itself. A gesture needs every
moment of its press seen: a gap in the readings (None) forgets a press half made, and a button
that is already down at the first look, or after a gap, means nothing until it was up. The same
holds for a press begun before a question opened: it cannot have been meant for it (spend()).
"""

from __future__ import annotations

from dataclasses import dataclass, field

GREEN_SHORT = "green short"
GREEN_HELD = "green held"
BLACK_SHORT = "black short"
BLACK_HELD = "black held"
BLUE_SHORT = "blue short"
BLUE_HELD = "blue held"
GREEN_BLUE = "green and blue held"

HELD_S = {"green": 2.0, "black": 5.0, "blue": 5.0}
BOTH_HELD_S = 5.0
LOOK_S = 1.25    # found up: no more than this after the last look counts as having been down
UNSEEN_S = 2.0  # without a look for so long, nobody knows whether it stayed down
REPEAT_IGNORED_S = 2.0  # a second short press of one button within this is a slip, not an answer


@dataclass(slots=True)
class Button:
    """One button: since when it is down, whether this press is spent, last short press."""

    since_s: float | None = None
    spent: bool = False
    short_at_s: float | None = None


@dataclass(slots=True)
class Buttons:
    """State of the decoder; step() gives the gestures that became complete now."""

    green: Button = field(default_factory=Button)
    black: Button = field(default_factory=Button)
    blue: Button = field(default_factory=Button)
    both_since_s: float | None = None
    both_spent: bool = False
    blind: bool = True
    seen_s: float | None = None

    def step(
        self, now_s: float, green: bool | None, black: bool | None, blue: bool | None
    ) -> tuple[str, ...]:
        """Take the three levels (None: not known) and return finished gestures, often none."""
        before_s = now_s if self.seen_s is None else self.seen_s
        unseen = not 0.0 <= now_s - before_s <= UNSEEN_S
        up_s = min(now_s, before_s + LOOK_S)
        self.seen_s = now_s
        if green is None or black is None or blue is None:
            self._forget()
            return ()
        if unseen:
            self._forget()
        if self.blind:
            self.blind = False
            for button, level in ((self.green, green), (self.black, black), (self.blue, blue)):
                if level:
                    button.since_s, button.spent = now_s, True
        if not (green or black or blue) and (
            self.green.since_s is None and self.black.since_s is None and self.blue.since_s is None
        ):
            return ()
        gestures: list[str] = []
        if green and blue:
            if self.both_since_s is None:
                self.both_since_s = now_s
                # A press that already meant something cannot become another gesture.
                self.both_spent = self.green.spent or self.blue.spent
                self.green.spent = self.blue.spent = True
            elif not self.both_spent and now_s - self.both_since_s >= BOTH_HELD_S:
                self.both_spent = True
                gestures.append(GREEN_BLUE)
        else:
            if (self.both_since_s is not None and not self.both_spent
                    and up_s - self.both_since_s >= BOTH_HELD_S):
                gestures.append(GREEN_BLUE)
            self.both_since_s, self.both_spent = None, False
        for name, button, level in (
            ("green", self.green, green), ("black", self.black, black), ("blue", self.blue, blue)
        ):
            gesture = _step_one(button, level, now_s, up_s, HELD_S[name])
            if gesture:
                gestures.append(f"{name} {gesture}")
        return tuple(gestures)

    def _forget(self) -> None:
        """What is half made is not known any more."""
        if not self.blind:
            for button in (self.green, self.black, self.blue):
                button.since_s, button.spent = None, False
            self.both_since_s, self.both_spent, self.blind = None, False, True

    def spend(self) -> None:
        """A question opens: green and blue, if down, mean nothing until pressed anew.

        Black asks for less energy and answers nothing, so it always keeps its meaning.
        """
        self.green.spent = self.green.since_s is not None
        self.spend_blue()
        self.both_spent = self.both_since_s is not None

    def spend_blue(self) -> None:
        """An alarm is raised: a blue press begun before was not meant to acknowledge it."""
        self.blue.spent = self.blue.since_s is not None


def _step_one(button: Button, level: bool, now_s: float, up_s: float, held_s: float) -> str:
    if level:
        if button.since_s is None:
            button.since_s = now_s
        elif not button.spent and now_s - button.since_s >= held_s:
            button.spent = True
            return "held"
        return ""
    since_s, spent = button.since_s, button.spent
    button.since_s, button.spent = None, False
    if since_s is None or spent:
        return ""
    if up_s - since_s >= held_s:
        return "held"  # long enough, though no look fell between that moment and letting go
    if button.short_at_s is not None and since_s - button.short_at_s < REPEAT_IGNORED_S:
        return ""
    button.short_at_s = now_s
    return "short"
