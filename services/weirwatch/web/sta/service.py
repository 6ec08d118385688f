"""The home of answering one SensorThings request: address, options, entities, links, pages."""

import itertools
import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any
from urllib.parse import quote, urlencode

from weirwatch.domain.instant import Micros
from weirwatch.ports import Archive
from weirwatch.settings import Settings
from weirwatch.web.sta.entities import LINKS, Catalog, Entity, observation, observation_id
from weirwatch.web.sta.history import readings, span_of
from weirwatch.web.sta.words import Options

_STEP = re.compile(r"([A-Za-z@.]+)(?:\(('(?:[^']|'')*'|[0-9]+)\))?(?:/|$)")
_MOST_SCANNED = 1_000_000
_COMPONENTS = ("id", "phenomenonTime", "resultTime", "result")


class Nothing(Exception):  # noqa: N818 - says what happened
    """There is nothing at that address."""


@dataclass(frozen=True, slots=True)
class Found:
    """What an address leads to.

    Attributes:
        kind: entity set.
        single: one entity is meant, not a list.
        items: the entities; None: observations of `channels`.
    """

    kind: str
    single: bool
    items: Sequence[Entity] | None
    channels: Sequence[str] = ()
    ident: str = ""


class Service:
    """Answers one request at one moment; `base` is the address of the service."""

    def __init__(self, settings: Settings, archive: Archive, base: str) -> None:
        self._archive = archive
        self._base = base
        self._catalog = Catalog(settings, archive)

    def answer(self, path: str, wanted: Options, query: Mapping[str, str]) -> Any:
        """Return what stands at a path below the base.

        Raises:
            Nothing: it leads nowhere.
            ValueError: an option cannot be used there.
        """
        steps, rest = _steps(path)
        found = self._follow(steps)
        if rest:
            return self._property(found, rest)
        if found.single:
            return self._shown(found.kind, self._one(found), wanted)
        return self._list(found, wanted, f"{self._base}/{path}", query)

    # --- addresses -----------------------------------------------------------------------------

    def _follow(self, steps: Sequence[tuple[str, str | None]]) -> Found:
        name, ident = steps[0]
        if name not in LINKS:
            raise Nothing(f"there is no entity set {name!r}")
        every = None if name == "Observations" else list(self._catalog.all(name).values())
        found = Found(name, False, every, list(self._catalog.channels))
        found = self._pick(found, ident) if ident is not None else found
        for name, ident in steps[1:]:
            if not found.single or name not in LINKS[found.kind]:
                raise Nothing(f"{found.kind} has no link {name!r} there")
            found = self._link(found.kind, self._one(found), name)
            if ident is not None:
                found = self._pick(found, ident)
        return found

    def _pick(self, found: Found, ident: str) -> Found:
        if found.single:
            raise Nothing("that is one entity already")
        if found.items is None:
            entity = self._observation(ident)
        else:
            entity = next((item for item in found.items if item["@iot.id"] == ident), None)
        if entity is None:
            raise Nothing(f"{found.kind} has none with the id {ident!r}")
        return Found(found.kind, True, [entity])

    def _link(self, kind: str, entity: Entity, link: str) -> Found:
        target = LINKS[kind][link]
        ident = str(entity["@iot.id"])
        if kind == "Observations":
            channel = self._catalog.channels[ident.rpartition("@")[0]]
            wanted = channel.id if link == "Datastream" else channel.system
            return Found(target, True, [self._catalog.all(target)[wanted]])
        if target == "Observations":
            return Found(target, False, None, self._catalog.channels_of(kind, ident))
        return Found(target, link != target, self._catalog.linked(kind, ident, link))

    def _one(self, found: Found) -> Entity:
        if not found.items:
            raise Nothing(f"there is no {found.kind} there")
        return found.items[0]

    def _observation(self, ident: str) -> Entity | None:
        named = observation_id(ident)
        if named is None or not self._catalog.stored(named[0]):
            return None
        channel, time = named
        found = self._archive.readings(channel, time, time + 1, None, 1)
        return observation(self._catalog.channels[channel], found[0]) if found else None

    def _property(self, found: Found, rest: Sequence[str]) -> Any:
        entity = self._one(found) if found.single else {}
        if rest[0] not in entity or rest[1:] not in ([], ["$value"]):
            raise Nothing(f"there is no property {'/'.join(rest)!r}")
        return entity[rest[0]] if rest[1:] else {rest[0]: entity[rest[0]]}

    # --- lists -----------------------------------------------------------------------------------

    def _list(self, found: Found, wanted: Options, url: str, query: Mapping[str, str]) -> Any:
        if found.items is None:
            return self._observations(found.channels, wanted, url, query)
        if wanted.data_array:
            raise ValueError("$resultFormat: is for Observations")
        items = [item for item in found.items if self._holds(found.kind, item, wanted)]
        for path, descending in reversed(wanted.order):
            items = self._sorted(found.kind, items, path, descending=descending)
        page = items[wanted.skip : wanted.skip + wanted.top]
        answer: dict[str, Any] = {}
        if wanted.count:
            answer["@iot.count"] = len(items)
        end = wanted.skip + wanted.top
        if page and end < len(items):
            answer["@iot.nextLink"] = _next(url, {**query, "$skip": str(end)})
        answer["value"] = [self._shown(found.kind, item, wanted) for item in page]
        return answer

    def _sorted(
        self, kind: str, items: list[Entity], path: str, *, descending: bool
    ) -> list[Entity]:
        def key(entity: Entity) -> tuple[int, Any]:
            return _sortable(self._at(kind, entity, path))

        return sorted(items, key=key, reverse=descending)

    def _observations(
        self, channels: Sequence[str], wanted: Options, url: str, query: Mapping[str, str]
    ) -> Any:
        answer: dict[str, Any] = {}
        if wanted.count:
            answer["@iot.count"] = sum(1 for _ in self._walk(channels, wanted, ""))
        walk = self._walk(channels, wanted, wanted.after)
        page = list(itertools.islice(walk, wanted.skip, wanted.skip + wanted.top + 1))
        if len(page) > wanted.top > 0:
            page.pop()
            rest = {key: value for key, value in query.items() if key != "$skip"}
            token = str(page[-1]["@iot.id"])
            answer["@iot.nextLink"] = _next(url, {**rest, "$skiptoken": token})
        page = page[: wanted.top]
        if wanted.data_array:
            answer["value"] = self._arrays(page, wanted)
        else:
            answer["value"] = [self._shown("Observations", item, wanted) for item in page]
        return answer

    def _walk(self, channels: Sequence[str], wanted: Options, after: str) -> Iterator[Entity]:
        """Yield the observations asked for; `after` is the id of the last one seen."""
        newest_first = _direction(wanted)
        start, end = span_of(wanted.filter.bounds if wanted.filter else ())
        last: tuple[Micros, str] | None = None
        if after:
            named = observation_id(after)
            if named is None:
                raise ValueError("$skiptoken: is none of ours")
            last = (named[1], named[0])
            start, end = (start, min(end, last[0] + 1)) if newest_first else (last[0], end)
        known = [channel for channel in channels if self._catalog.stored(channel)]
        found = readings(self._archive, known, start, end, newest_first=newest_first)
        for scanned, (time, channel, reading) in enumerate(found):
            if scanned >= _MOST_SCANNED:
                raise ValueError("that is more than a million observations: narrow the times")
            if last is not None and time == last[0] and channel <= last[1]:
                continue
            entity = observation(self._catalog.channels[channel], reading)
            if self._holds("Observations", entity, wanted):
                yield entity

    def _arrays(self, page: Sequence[Entity], wanted: Options) -> list[dict[str, Any]]:
        components = [name.removeprefix("@iot.") for name in wanted.select] or list(_COMPONENTS)
        rows: dict[str, list[list[Any]]] = {}
        for item in page:
            values = {**item, "id": item["@iot.id"]}
            channel = str(item["@iot.id"]).rpartition("@")[0]
            rows.setdefault(channel, []).append([values.get(name) for name in components])
        return [
            {
                "Datastream@iot.navigationLink": self._url("Datastreams", channel),
                "components": components,
                "dataArray@iot.count": len(values),
                "dataArray": values,
            }
            for channel, values in rows.items()
        ]

    # --- one entity ------------------------------------------------------------------------------

    def _holds(self, kind: str, entity: Entity, wanted: Options) -> bool:
        if wanted.filter is None:
            return True
        return bool(wanted.filter.test(lambda path: self._at(kind, entity, path)))

    def _at(self, kind: str, entity: Entity, path: str) -> Any:
        """Return the value at a path; through links to one entity as well."""
        first, _, rest = path.partition("/")
        if rest and first in LINKS[kind] and LINKS[kind][first] != first:
            linked = self._link(kind, entity, first)
            return self._at(linked.kind, self._one(linked), rest)
        if first == "id":
            first = "@iot.id"
        if first not in entity:
            known = {"phenomenonTime", "resultTime", "properties", *_FIELDS.get(kind, ())}
            if first in known:
                return None
            raise ValueError(f"$filter, $orderby: {kind} has no property {first!r}")
        found = entity[first]
        for step in rest.split("/") if rest else ():
            found = found.get(step) if isinstance(found, Mapping) else None
        return found

    def _shown(self, kind: str, entity: Entity, wanted: Options) -> Entity:
        here = self._url(kind, str(entity["@iot.id"]))
        wrong = [name for name in wanted.select if name not in entity and name != "id"]
        if any(name not in _FIELDS.get(kind, ()) and name not in LINKS[kind] for name in wrong):
            raise ValueError(f"$select: {kind} has no property {wrong[0]!r}")
        shown = {"@iot.selfLink": here, **entity}
        if wanted.select:
            named = {"@iot.id" if name == "id" else name for name in wanted.select}
            shown = {k: v for k, v in shown.items() if k in named or k.startswith("@iot.")}
        for link in LINKS[kind]:
            if link in wanted.expand:
                shown[link] = self._expanded(kind, entity, link, wanted.expand[link])
            elif not wanted.select or link in wanted.select:
                shown[f"{link}@iot.navigationLink"] = f"{here}/{link}"
        for name in wanted.expand:
            if name not in LINKS[kind]:
                raise ValueError(f"$expand: {kind} has no link {name!r}")
        return shown

    def _expanded(self, kind: str, entity: Entity, link: str, wanted: Options) -> Any:
        linked = self._link(kind, entity, link)
        if linked.single:
            return self._shown(linked.kind, self._one(linked), wanted)
        url = f"{self._url(kind, str(entity['@iot.id']))}/{link}"
        return self._list(linked, wanted, url, {})["value"]

    def _url(self, kind: str, ident: str) -> str:
        return f"{self._base}/{kind}('{quote(ident.replace(chr(39), chr(39) * 2), safe='/@')}')"


_FIELDS: Mapping[str, tuple[str, ...]] = {
    "Things": ("name", "description", "properties"),
    "Locations": ("name", "description", "encodingType", "location"),
    "HistoricalLocations": ("time",),
    "Datastreams": (
        "name", "description", "observationType", "unitOfMeasurement", "observedArea",
        "phenomenonTime", "resultTime", "properties",
    ),
    "Sensors": ("name", "description", "encodingType", "metadata", "properties"),
    "ObservedProperties": ("name", "definition", "description", "properties"),
    "FeaturesOfInterest": ("name", "description", "encodingType", "feature", "properties"),
    "Observations": (
        "phenomenonTime", "resultTime", "result", "resultQuality", "validTime", "parameters",
    ),
}  # fmt: skip


def _steps(path: str) -> tuple[list[tuple[str, str | None]], list[str]]:
    """Return the steps of an address, and what follows the last entity."""
    steps: list[tuple[str, str | None]] = []
    place = 0
    while place < len(path):
        found = _STEP.match(path, place)
        known = {link for links in LINKS.values() for link in links} | LINKS.keys()
        if found is None or found[1] not in known:
            break
        key = found[2]
        ident = None if key is None else key.strip("'") if key.isdigit() else _unquoted(key)
        steps.append((found[1], ident))
        place = found.end()
    rest = path[place:].split("/") if place < len(path) else []
    if not steps:
        raise Nothing(f"nothing at {path!r}")
    return steps, rest


def _unquoted(key: str) -> str:
    return key[1:-1].replace("''", "'")


def _direction(wanted: Options) -> bool:
    """Return whether observations are asked for newest first."""
    if not wanted.order:
        return False
    path, descending = wanted.order[0]
    if path not in ("phenomenonTime", "resultTime") or len(wanted.order) > 1:
        raise ValueError("$orderby: Observations are in the order of phenomenonTime only")
    return descending


def _sortable(value: Any) -> tuple[int, Any]:
    if value is None:
        return (0, 0)
    if isinstance(value, int | float):
        return (1, value)
    return (2, str(value))


def _next(url: str, query: Mapping[str, str]) -> str:
    return f"{url}?{urlencode(query, safe='$(),/;=', quote_via=quote)}"
