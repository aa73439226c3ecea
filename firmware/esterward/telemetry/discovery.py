"""One retained message that tells a home-automation hub what to show. Pure.

The format is the open device discovery of Home Assistant (home-assistant.io/integrations/mqtt,
"Device discovery payload": device and origin are mandatory, every component has platform and
unique_id). It is only a pointer to the topics of the table: nothing is published twice.
Nothing in it can be operated: requests need the nonce, and heat is never started from afar.
"""

from __future__ import annotations

import json
from typing import Any

from esterward.telemetry.topics import PROPERTIES, SAMPLE_S, property_topic, state_topic

# A measured value that is older than this is shown as unavailable, not as the last number.
EXPIRE_AFTER_S = round(6 * SAMPLE_S)


def discovery_topic(device_id: str) -> str:
    return f"homeassistant/device/{device_id}/config"


def discovery(device_id: str, name: str, version: str) -> str:
    """The message as JSON."""
    components: dict[str, Any] = {}
    for prop in PROPERTIES:
        platform, options = prop.hub
        if not platform:
            continue
        key = f"{device_id}_{prop.node}_{prop.id}".replace("-", "_")
        entry: dict[str, Any] = {"platform": platform, "unique_id": key, "name": prop.name,
                                 **dict(options)}
        entry["state_topic"] = property_topic(device_id, prop.node, prop.id)
        if prop.sampled and prop.datatype == "float":
            # From the sample, because there "not known" arrives as a value and silence expires.
            entry["state_topic"] = property_topic(device_id, "stream", "sample")
            entry["value_template"] = "{{ value_json." + prop.field + " }}"
            entry["expire_after"] = EXPIRE_AFTER_S
        if prop.unit:
            entry["unit_of_measurement"] = prop.unit
        if prop.datatype == "boolean":
            entry["payload_on"], entry["payload_off"] = "true", "false"
        elif prop.datatype == "enum":
            entry["device_class"] = "enum"
            entry["options"] = prop.format.split(",")
        elif prop.datatype == "string":
            # The hub takes 255 characters at most; one byte 0 is Homie's empty text.
            entry["value_template"] = "{{ '' if value | length < 2 else value[:255] }}"
        components[key] = entry
    origin = {"name": "esterward"}
    device: dict[str, Any] = {"identifiers": [device_id], "name": name or device_id}
    if version:
        origin["sw_version"] = device["sw_version"] = version
    message = {
        "device": device,
        "origin": origin,
        "availability": [{
            "topic": state_topic(device_id),
            "value_template": "{{ 'online' if value == 'ready' else 'offline' }}"}],
        "components": components,
    }
    return json.dumps(message, ensure_ascii=False, separators=(",", ":"))
