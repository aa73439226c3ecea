"""docs/reference/topics.md is what the table of topics says today."""

from __future__ import annotations

from pathlib import Path

from esterward.telemetry import topics
from esterward.telemetry.discovery import discovery_topic
from esterward.telemetry.reference import page

DOCUMENT = Path(__file__).parents[2] / "docs" / "reference" / "topics.md"


def test_the_document_of_topics_is_not_stale() -> None:
    assert DOCUMENT.read_text(encoding="utf-8") == page(), (
        "run: python -m esterward.telemetry.reference > docs/reference/topics.md")


def test_what_the_document_says_beside_the_table_is_true() -> None:
    text = page()
    assert discovery_topic("<id>") in text
    by_id = {f"{p.node}/{p.id}": p for p in topics.PROPERTIES}
    assert all(p.qos == 1 for p in topics.PROPERTIES if p.retained)
    momentary = {name for name, p in by_id.items() if not p.retained and not p.settable}
    assert momentary == {"stream/event", "remote/answer", "stream/sample"}
    assert (by_id["stream/event"].qos, by_id["remote/answer"].qos) == (1, 1)
    assert by_id["stream/sample"].qos == 0
    assert all(line.count("|") == 9 for line in topics.topic_table().splitlines())
