"""The home of what is a Thing, a Datastream, a Sensor, … here, and of how they belong together.

A Thing is a system, a Datastream a channel, a Sensor its probe, an ObservedProperty a quantity, a
FeatureOfInterest the water of a system, an Observation a reading. Nothing here knows where on
Earth it is: there are no Locations.
"""

from collections.abc import Mapping
from typing import Any

from weirwatch.domain.instant import Micros, to_rfc3339
from weirwatch.domain.reading import Channel, Reading
from weirwatch.ports import Archive
from weirwatch.settings import Settings

Entity = dict[str, Any]
_OM = "http://www.opengis.net/def/observationType/OGC-OM/2.0/"

# Entity set → what it links to: name of the link → entity set.
LINKS: Mapping[str, Mapping[str, str]] = {
    "Things": {
        "Datastreams": "Datastreams",
        "Locations": "Locations",
        "HistoricalLocations": "HistoricalLocations",
    },
    "Locations": {"Things": "Things", "HistoricalLocations": "HistoricalLocations"},
    "HistoricalLocations": {"Thing": "Things", "Locations": "Locations"},
    "Datastreams": {
        "Thing": "Things",
        "Sensor": "Sensors",
        "ObservedProperty": "ObservedProperties",
        "Observations": "Observations",
    },
    "Sensors": {"Datastreams": "Datastreams"},
    "ObservedProperties": {"Datastreams": "Datastreams"},
    "FeaturesOfInterest": {"Observations": "Observations"},
    "Observations": {"Datastream": "Datastreams", "FeatureOfInterest": "FeaturesOfInterest"},
}


class Catalog:
    """All entities but observations, as they are at one moment."""

    def __init__(self, settings: Settings, archive: Archive) -> None:
        known = {channel.id: channel for channel in archive.channels()}
        self.channels = known | {channel.id: channel for channel in settings.channels}
        self.titles = {system.id: system.title for system in settings.systems}
        self._archive = archive
        self._stored = frozenset(known)
        systems = dict.fromkeys(
            (*self.titles, *(channel.system for channel in self.channels.values()))
        )
        self._sets: dict[str, dict[str, Entity]] = {
            "Things": {name: self._thing(name) for name in systems},
            "Locations": {},
            "HistoricalLocations": {},
            "Datastreams": {c.id: self._datastream(c) for c in self.channels.values()},
            "Sensors": {c.id: _sensor(c) for c in self.channels.values()},
            "ObservedProperties": {
                c.quantity: _property(c.quantity) for c in self.channels.values()
            },
            "FeaturesOfInterest": {name: self._feature(name) for name in systems},
        }

    def all(self, kind: str) -> dict[str, Entity]:
        """Return the entities of a set by id."""
        return self._sets[kind]

    def linked(self, kind: str, ident: str, link: str) -> list[Entity]:
        """Return what an entity that is no observation links to, observations apart."""
        target = LINKS[kind][link]
        found = self._sets[target]
        if kind == "Datastreams":
            channel = self.channels[ident]
            wanted = {
                "Thing": channel.system, "Sensor": ident, "ObservedProperty": channel.quantity
            }[link]  # fmt: skip
            return [found[wanted]]
        return [found[channel] for channel in self.channels_of(kind, ident) if channel in found]

    def channels_of(self, kind: str, ident: str) -> list[str]:
        """Return the ids of the channels that belong to an entity."""
        return [
            channel.id
            for channel in self.channels.values()
            if ident in {
                "Things": (channel.system,),
                "FeaturesOfInterest": (channel.system,),
                "ObservedProperties": (channel.quantity,),
            }.get(kind, (channel.id,))
        ]  # fmt: skip

    def stored(self, channel: str) -> bool:
        """Return whether the history knows the channel."""
        return channel in self._stored

    def _thing(self, system: str) -> Entity:
        return {
            "@iot.id": system,
            "name": self.titles.get(system) or system,
            "description": "One plumbed body of water.",
            "properties": {"system": system},
        }

    def _feature(self, system: str) -> Entity:
        return {
            "@iot.id": system,
            "name": f"Water of {self.titles.get(system) or system}",
            "description": "The water of one plumbed system.",
            "encodingType": "application/geo+json",
            "feature": {"type": "Feature", "geometry": None, "properties": {"system": system}},
        }

    def _datastream(self, channel: Channel) -> Entity:
        switch = not channel.unit
        entity: Entity = {
            "@iot.id": channel.id,
            "name": channel.label,
            "description": f"{channel.quantity} from {channel.system}/{channel.node}",
            "observationType": _OM + ("OM_TruthObservation" if switch else "OM_Measurement"),
            "unitOfMeasurement": {
                "name": channel.unit or None,
                "symbol": channel.unit or None,
                "definition": "https://www.rfc-editor.org/rfc/rfc8428" if channel.unit else None,
            },
            "properties": {"quantity": channel.quantity, "vessel": channel.vessel or None},
        }
        span = self._archive.span(channel.id) if channel.id in self._stored else None
        if span is not None:
            entity["phenomenonTime"] = f"{to_rfc3339(span[0])}/{to_rfc3339(span[1])}"
        return entity


def observation(channel: Channel, reading: Reading) -> Entity:
    """Return a reading; the result of a switch is true or false."""
    value: float | bool = reading.value if channel.unit else bool(reading.value)
    time = to_rfc3339(reading.time)
    return {
        "@iot.id": f"{channel.id}@{reading.time}",
        "phenomenonTime": time,
        "resultTime": time,
        "result": value,
        "resultQuality": {"quality": reading.quality.word, "reason": reading.reason},
    }


def observation_id(text: str) -> tuple[str, Micros] | None:
    """Return channel and time of an observation's id; None: it is none."""
    channel, _, time = text.rpartition("@")
    digits = time.removeprefix("-")
    if not channel or not (digits.isascii() and digits.isdigit() and len(digits) <= 18):
        return None
    return channel, int(time)


def _sensor(channel: Channel) -> Entity:
    return {
        "@iot.id": channel.id,
        "name": f"Probe of {channel.label}",
        "description": f"Probe at the node {channel.system}/{channel.node}",
        "encodingType": "text/plain",
        "metadata": f"{channel.quantity} probe at {channel.system}/{channel.node}",
    }


def _property(quantity: str) -> Entity:
    return {
        "@iot.id": quantity,
        "name": quantity,
        "definition": f"urn:weirwatch:quantity:{quantity}",
        "description": f"The quantity {quantity}.",
    }
