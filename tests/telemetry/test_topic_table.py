"""The table of topics against the Homie convention 5.0 (homieiot.github.io/specification)."""

from __future__ import annotations

import json
import math
import re
from collections.abc import Callable
from dataclasses import fields

import pytest
from hypothesis import given
from hypothesis import strategies as st

from esterward.telemetry import lines, topics
from esterward.telemetry.discovery import discovery, discovery_topic
from esterward.values.events import EVENT_KINDS, Event
from esterward.values.status import Alarm, Status
from telemetry.mqtt_rig import make_status

# Homie 5.0, "Topic IDs": only a-z, 0-9 and the hyphen.
HOMIE_ID = re.compile(r"[a-z0-9-]+\Z")
# Homie 5.0, table "Property Attributes".
DATATYPES = {"integer", "float", "boolean", "string", "enum", "color", "datetime", "duration",
             "json"}
# Homie 5.0, "Float": digits, minus, one dot, an exponent; neither NaN nor infinity.
FLOAT = re.compile(r"-?\d+(\.\d+)?([eE]-?\d+)?\Z")

MakeStatus = Callable[..., Status]


def valid(prop: topics.Property, text: str) -> bool:
    """Whether the text is a payload that Homie allows for this property."""
    if text == topics.DELETED:
        return prop.retained
    return {
        "float": lambda: bool(FLOAT.match(text)),
        "integer": lambda: bool(re.match(r"-?\d+\Z", text)),
        "boolean": lambda: text in ("true", "false"),
        "enum": lambda: text in prop.format.split(","),
        "json": lambda: isinstance(json.loads(text), dict | list),
        "string": lambda: text != "",
    }[prop.datatype]()


def test_every_row_has_a_homie_id_a_known_datatype_and_a_node_that_exists() -> None:
    keys = [(p.node, p.id) for p in topics.PROPERTIES]
    assert len(set(keys)) == len(keys)
    for prop in topics.PROPERTIES:
        assert HOMIE_ID.match(prop.id) and prop.node in topics.NODES
        assert prop.datatype in DATATYPES
        assert prop.format or prop.datatype != "enum"
    assert {p.node for p in topics.PROPERTIES} == set(topics.NODES)


def test_every_field_of_the_table_is_a_field_of_the_status() -> None:
    known = {f.name for f in fields(Status)}
    for prop in topics.PROPERTIES:
        assert not prop.field or prop.field in known
        assert prop.pace == topics.BY_LINK or prop.field or prop.value
    assert set(topics.SAMPLE_FIELDS) <= known


def test_the_description_says_what_homie_requires_and_repeats_the_table() -> None:
    document = json.loads(topics.description("reactor-7", "Shed reactor"))
    assert document["homie"] == "5.0" and document["name"] == "Shed reactor"
    assert type(document["version"]) is int
    told = {(node, key) for node, body in document["nodes"].items() for key in body["properties"]}
    assert told == {(p.node, p.id) for p in topics.PROPERTIES}
    oil = document["nodes"]["vessel"]["properties"]["oil"]
    assert oil == {"name": "Oil", "datatype": "float", "unit": "\u00b0C"}
    request = document["nodes"]["remote"]["properties"]["request"]
    assert request["settable"] is True and request["retained"] is False


def test_the_version_changes_with_the_document_and_only_then() -> None:
    version = [json.loads(topics.description("a", name))["version"] for name in ("x", "x", "y")]
    assert version[0] == version[1] != version[2]


numbers = st.one_of(st.none(), st.floats(), st.integers(-10**6, 10**6))
texts = st.text(max_size=30)


@given(oil=numbers, left=numbers, progress=numbers, flag=st.sampled_from([None, True, False]),
       prompt=texts, state=st.one_of(st.sampled_from(["running", "held"]), texts), batch=texts)
def test_no_status_makes_a_payload_that_homie_forbids(
        oil: float | None, left: float | None, progress: float | None, flag: bool | None,
        prompt: str, state: str, batch: str) -> None:

    status = make_status(oil_c=oil, left_s=left, progress=progress, flag=flag, prompt=prompt,
                         state=state, batch=batch)
    for prop in topics.PROPERTIES:
        if prop.pace != topics.BY_LINK:
            assert valid(prop, topics.payload(prop, status)), prop.id
    json.loads(topics.sample(status, 1.0, None, "b"), parse_constant=pytest.fail)


def test_a_missing_reading_is_deleted_and_is_null_in_the_sample(status: MakeStatus) -> None:
    oil = next(p for p in topics.PROPERTIES if p.id == "oil")
    assert topics.payload(oil, status(oil_c=41.0625)) == "41.06"
    for nothing in (None, math.nan, math.inf):
        assert topics.payload(oil, status(oil_c=nothing)) == topics.DELETED
        assert json.loads(topics.sample(status(oil_c=nothing), 5.0, None, "b"))["oil_c"] is None


def test_an_unknown_methanol_flag_is_said_to_be_unknown_not_clear(status: MakeStatus) -> None:
    flag = next(p for p in topics.PROPERTIES if p.id == "methanol-flag")
    assert [topics.payload(flag, status(flag=f)) for f in (None, True, False)] == [
        "unknown", "set", "clear"]


def test_the_wall_time_is_rfc_3339_and_left_out_when_no_clock_is_trusted(
        status: MakeStatus) -> None:
    # RFC 3339 section 5.6: date-time with "Z"; 1e9 s after the epoch is 2001-09-09T01:46:40Z.
    assert topics.rfc3339(1e9 + 0.25) == "2001-09-09T01:46:40.250Z"
    assert [topics.rfc3339(x) for x in (None, math.nan, 1e300)] == [None] * 3
    assert "ts" not in json.loads(topics.sample(status(), 5.0, None, "b"))
    assert json.loads(topics.sample(status(), 5.0, 1e9, "b"))["ts"].endswith("Z")


def test_the_question_says_how_it_is_answered(status: MakeStatus) -> None:
    asked = status(prompt="grains", prompt_text="No grains left?", answers="green = yes")
    assert topics.prompt_words(asked) == "No grains left? (green = yes)"
    assert topics.prompt_words(status()) == ""


@pytest.mark.parametrize("wrong", ["", "Reactor", "a b", "-a", "a-", "a/b", "a+", "x" * 65])
def test_a_device_id_that_homie_forbids_is_refused_with_an_example(wrong: str) -> None:
    with pytest.raises(ValueError, match="for example 'reactor-1'"):
        topics.check_device_id(wrong)


def test_the_table_for_the_docs_names_every_topic() -> None:
    table = topics.topic_table()
    for prop in topics.PROPERTIES:
        assert f"`{prop.node}/{prop.id}" in table
    assert len({line.count("|") for line in table.strip().splitlines()}) == 1


def test_every_kind_of_event_has_words_and_every_key_of_its_data_can_be_filled() -> None:
    assert set(lines.LINE_WORDS) == set(EVENT_KINDS)
    for kind, keys in EVENT_KINDS.items():
        used = set(re.findall(r"{(\w+)}", lines.LINE_WORDS[kind]))
        assert used <= set(keys), kind
        words = lines.line_words(Event(1, 5.0, kind, dict.fromkeys(keys, "heat")))
        assert words and "{" not in words and "?" not in words


def test_a_stage_that_ended_is_said_in_words_with_its_time() -> None:
    event = Event(9, 9000.0, "stage_ended",
                  {"stage": "mix", "repeat": 2, "started_s": 4500.0, "outcome": "done"})
    assert lines.line_words(event) == "mix and react (run 2) finished: done, after 1 h 15 min"
    line = json.loads(lines.event_line(event, None, "boot-1"))
    assert (line["boot"], line["number"], line["at_s"], line["kind"]) == (
        "boot-1", 9, 9000.0, "stage_ended")


def test_the_first_out_latch_is_named_as_such() -> None:
    said = [lines.line_words(Event(1, 0.0, "latched", {"code": "e-stop", "first_out": first}))
            for first in (True, False)]
    assert said == ["latched: e-stop, the first of its chain", "latched: e-stop"]


def test_amounts_that_are_only_told_are_said_not_to_be_confirmed() -> None:
    event = Event(1, 0.0, "sheet_changed", {"mass_g": 1223.95, "methanol_l": 22.7125})
    assert lines.line_words(event) == (
        "batch sheet would be: catalyst 1223.95 g, methanol 22.7125 L; not confirmed yet")


@pytest.mark.parametrize(("resets", "count"), [
    (2, "2 in this batch"), (0, "not counted, no batch under way")])
def test_a_reset_with_no_batch_under_way_is_said_not_to_count(resets: int, count: str) -> None:
    data = {"code": "e-stop", "resets": resets}
    assert [lines.line_words(Event(1, 0.0, kind, data)) for kind in (
        "latch_reset", "guard_reset")] == [f"latch e-stop reset, {count}",
                                           f"the guard's latch e-stop reset, {count}"]


def test_an_event_with_a_number_that_is_none_still_gives_valid_json() -> None:
    event = Event(1, 0.0, "observation", {"name": "wash_ph", "value": math.nan,
                                          "source": "mqtt", "counts": True})
    line = json.loads(lines.event_line(event, None, "b"), parse_constant=pytest.fail)
    assert line["data"]["value"] is None and "not known" in line["text"]


def test_alerts_say_what_is_wanted_and_are_gone_when_it_is_over(status: MakeStatus) -> None:
    alarm = Alarm("F-12", "high", "unacknowledged", "Probe A gives no value.", "Check its plug.")
    wanting = status(prompt="grains", prompt_text="No grains left?", answers="green = yes",
                     presence_wanted=True, alarms=(alarm,))
    found = lines.alerts(wanting, "heat finished: done.")
    assert set(found) == {"person-wanted", "presence-press", "stage-finished", "alarm-f-12"}
    assert found["alarm-f-12"] == "Probe A gives no value. Check its plug."
    assert all(HOMIE_ID.match(alert) for alert in found)
    assert lines.alerts(status(), "") == {}
    asked = status(prompt="presence", prompt_text="Is somebody there?", presence_wanted=True)
    assert set(lines.alerts(asked, "")) == {"person-wanted"}


def test_the_hub_is_told_what_its_documentation_requires_and_only_topics_we_publish() -> None:
    # home-assistant.io/integrations/mqtt, device discovery: device and origin are mandatory,
    # each component has platform and unique_id.
    message = json.loads(discovery("reactor-7", "Shed reactor", "1.2"))
    assert discovery_topic("reactor-7") == "homeassistant/device/reactor-7/config"
    assert message["device"]["identifiers"] == ["reactor-7"] and message["origin"]["name"]
    ours = {topics.property_topic("reactor-7", p.node, p.id) for p in topics.PROPERTIES}
    components = message["components"].values()
    assert len({c["unique_id"] for c in components}) == len(components) > 10
    for component in components:
        assert component["platform"] in ("sensor", "binary_sensor")
        assert component["state_topic"] in ours
        assert "command_topic" not in component
    oil = message["components"]["reactor_7_vessel_oil"]
    assert oil["value_template"] == "{{ value_json.oil_c }}" and oil["expire_after"] == 30
    assert oil["unit_of_measurement"] == "\u00b0C" and oil["device_class"] == "temperature"


def test_a_ceiling_is_never_published_higher_than_it_is() -> None:
    ceiling = next(p for p in topics.PROPERTIES if p.id == "ceiling")
    for hundredth in range(100):
        exact = 56.0 + hundredth / 100.0
        status = make_status(ceiling_c=exact)
        assert exact - 0.1 < float(topics.payload(ceiling, status)) <= exact + 1e-6
    line = json.loads(topics.sample(make_status(ceiling_c=56.1596), 0.0, None, "b"))
    assert line["ceiling_c"] == 56.159
