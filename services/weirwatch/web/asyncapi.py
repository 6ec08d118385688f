"""The home of the AsyncAPI 3 document: docs/wire.md for programs, each payload with its schema."""

from collections.abc import Mapping
from typing import Any

from pydantic import BaseModel

from weirwatch.web import schemas

VERSION = "1"  # of the wire; grows when something is taken away or means something else
_TIME = {"oneOf": [{"type": "string", "format": "date-time"}, {"type": "number"}]}
_RECORD: Mapping[str, Any] = {
    "type": "object",
    "description": "A SenML record (RFC 8428); one value a record, or base fields alone.",
    "properties": {
        "n": {"type": "string", "description": "Name of the channel."},
        "u": {"type": "string", "description": "Unit; without it the channel's holds."},
        "v": {"type": "number"},
        "vb": {"type": "boolean"},
        "t": {"type": "number", "description": "Seconds since 1970 UTC; below 2^28: from now."},
        "bn": {"type": "string"},
        "bt": {"type": "number"},
        "bu": {"type": "string"},
        "bv": {"type": "number"},
        "bver": {"type": "integer"},
    },
    "not": {"required": ["v", "vb"]},
}
_PAYLOADS: Mapping[str, Mapping[str, Any]] = {
    "SenmlPack": {"type": "array", "minItems": 1, "maxItems": 2000, "items": _RECORD},
    "NodeConnection": {
        "type": "object",
        "required": ["connected"],
        "properties": {
            "connected": {"type": "boolean"},
            "since": _TIME,
            "power": {"enum": ["mains", "battery"]},
        },
    },
    "ServiceConnection": {
        "type": "object",
        "required": ["connected"],
        "properties": {
            "connected": {"type": "boolean"},
            "since": {"type": "string", "format": "date-time"},
        },
    },
    "AlarmEvent": {
        "type": "object",
        "description": "CloudEvents 1.0 in JSON; may come twice, with the same id.",
        "required": [
            "specversion", "id", "source", "type", "subject", "time", "datacontenttype", "data",
        ],
        "properties": {
            "specversion": {"const": "1.0"},
            "id": {"type": "string", "minLength": 1, "description": "The event's seq."},
            "source": {"type": "string", "format": "uri-reference", "minLength": 1},
            "type": {"type": "string", "pattern": r"^org\.weirwatch\.alarm\.[a-z_]+$"},
            "subject": {"type": "string", "description": "The rule."},
            "time": {"type": "string", "format": "date-time"},
            "datacontenttype": {"const": "application/json"},
            "data": {"$ref": "#/components/schemas/Event"},
        },
    },
}  # fmt: skip
_SYSTEM = {"system": {"description": "One plumbed body of water."}}
_NODE = {**_SYSTEM, "node": {"description": "A microcontroller with probes."}}
_RULE = {**_SYSTEM, "rule": {"description": "Id of the rule; may have levels of its own."}}
# Channel → address below the root, its parameters, message, payload, and who sends it.
_CHANNELS: Mapping[str, tuple[str, Mapping[str, Any], str, str, str]] = {
    "readings": ("{system}/{node}/readings", _NODE, "readings", "SenmlPack", "receive"),
    "nodeConnection": (
        "{system}/{node}/connection", _NODE, "nodeConnection", "NodeConnection", "receive",
    ),
    "serviceConnection": (
        "service/connection", {}, "serviceConnection", "ServiceConnection", "send",
    ),
    "alarm": ("{system}/alarm/{rule}", _RULE, "alarm", "RetainedAlarm", "send"),
    "event": ("{system}/event", _SYSTEM, "event", "AlarmEvent", "send"),
}  # fmt: skip
_RETAINED = ("nodeConnection", "serviceConnection", "alarm")
_TYPES = {"SenmlPack": "application/senml+json", "AlarmEvent": "application/cloudevents+json"}


def document(root: str) -> dict[str, Any]:
    """Return the AsyncAPI 3.0 document of the wire below this root of all topics."""
    return {
        "asyncapi": "3.0.0",
        "info": {
            "title": "Weirwatch over MQTT",
            "version": VERSION,
            "description": "What nodes send and what Weirwatch sends. MQTT 3.1.1 or 5, QoS 1.",
        },
        "defaultContentType": "application/json",
        "channels": {
            name: {
                "address": f"{root}/{address}",
                "messages": {message: {"$ref": f"#/components/messages/{message}"}},
                **({"parameters": dict(parameters)} if parameters else {}),
            }
            for name, (address, parameters, message, _, _) in _CHANNELS.items()
        },
        "operations": {
            f"{action}{name[0].upper()}{name[1:]}": {
                "action": action,
                "channel": {"$ref": f"#/channels/{name}"},
                "messages": [{"$ref": f"#/channels/{name}/messages/{message}"}],
                "bindings": {"mqtt": {"qos": 1, "retain": name in _RETAINED}},
            }
            for name, (_, _, message, _, action) in _CHANNELS.items()
        },
        "components": {
            "messages": {
                message: {
                    "contentType": _TYPES.get(payload, "application/json"),
                    "payload": {"$ref": f"#/components/schemas/{payload}"},
                }
                for _, _, message, payload, _ in _CHANNELS.values()
            },
            "schemas": payload_schemas(),
        },
    }


def payload_schemas() -> dict[str, Any]:
    """Return the JSON Schemas of all payloads; alarm and event are those of the API."""
    alarm = _schema(schemas.Alarm)
    alarm["properties"].pop("safety_card")
    alarm["required"].remove("safety_card")
    for name in ("SafetyCard", "Hazard", "Call", "SignalWord", "Harmed"):
        alarm["$defs"].pop(name, None)
    event = _schema(schemas.Event)
    shared = alarm.pop("$defs", {}) | event.pop("$defs", {})
    return {**_PAYLOADS, "RetainedAlarm": alarm, "Event": event, **shared}


def _schema(model: type[BaseModel]) -> dict[str, Any]:
    return model.model_json_schema(ref_template="#/components/schemas/{model}")
