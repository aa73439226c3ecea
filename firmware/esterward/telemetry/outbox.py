"""What is still to be sent, bounded whatever the broker does. Pure.

Three kinds: the picture (one value a topic, only the newest counts), lines (each once, in
order) and samples. When the broker is away the picture cannot grow beyond its topics, the
oldest samples are dropped first, then the oldest minor lines, and stages, alarms and questions
last of all. What was dropped is counted.
"""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass, field
from typing import Final

MAX_LINES: Final = 2000
MAX_SAMPLES: Final = 120  # ten minutes at one each 5 s
MAX_TOPICS: Final = 512


@dataclass(frozen=True, slots=True)
class Message:
    """One publication. minor: a line that may be dropped before others; correlation: MQTT 5."""

    topic: str
    payload: str
    qos: int = 1
    retain: bool = False
    minor: bool = False
    correlation: bytes | None = None


@dataclass(slots=True)
class Outbox:
    """picture holds every retained value ever set, dirty the topics not yet sent."""

    picture: dict[str, str] = field(default_factory=dict)
    dirty: dict[str, None] = field(default_factory=dict)
    lines: deque[Message] = field(default_factory=deque)
    samples: deque[Message] = field(default_factory=deque)
    dropped_lines: int = 0
    dropped_samples: int = 0
    dropped_topics: int = 0

    def __len__(self) -> int:
        return len(self.dirty) + len(self.lines) + len(self.samples)

    @property
    def dropped(self) -> int:
        return self.dropped_lines + self.dropped_samples + self.dropped_topics

    def show(self, topic: str, payload: str) -> None:
        """Set a retained value; nothing is sent when it is the same as before."""
        old = self.picture.get(topic)
        if old == payload:
            return
        if old is None and len(self.picture) >= MAX_TOPICS:
            self.dropped_topics += 1
            return
        self.picture[topic] = payload
        self.dirty[topic] = None

    def show_all_again(self) -> None:
        """Every retained value is to be sent again: the broker may have forgotten it."""
        self.dirty = dict.fromkeys(self.picture)

    def add_line(self, message: Message) -> None:
        """Queue a line; when full, the oldest minor line goes, or the oldest of all."""
        self.lines.append(message)
        self._shorten()

    def put_back(self, messages: list[Message]) -> None:
        """Lines that were handed over and never acknowledged go to the front again."""
        self.lines.extendleft(reversed(messages))
        self._shorten()

    def _shorten(self) -> None:
        while len(self.lines) > MAX_LINES:
            self.dropped_lines += 1
            for index, line in enumerate(self.lines):
                if line.minor:
                    del self.lines[index]
                    break
            else:
                self.lines.popleft()

    def add_sample(self, message: Message) -> None:
        """Queue a sample; when full, the oldest sample goes."""
        if len(self.samples) >= MAX_SAMPLES:
            self.samples.popleft()
            self.dropped_samples += 1
        self.samples.append(message)

    def take(self) -> Message | None:
        """The next to send: picture first, then lines, then samples; None when empty."""
        if self.dirty:
            topic = next(iter(self.dirty))
            del self.dirty[topic]
            return Message(topic, self.picture[topic], 1, True)
        if self.lines:
            return self.lines.popleft()
        if self.samples:
            return self.samples.popleft()
        return None
