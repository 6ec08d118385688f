"""Which catalogue rules would cover what a file does not: as tables to paste."""

from collections import Counter
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

from weirwatch.config.build import plant_of
from weirwatch.config.catalogue_figures import Seen
from weirwatch.config.catalogue_limits import LIMITS, limits_of, unit_fits
from weirwatch.config.catalogue_links import Links
from weirwatch.config.catalogue_parts import PARTS
from weirwatch.config.catalogue_template import ANY, Template
from weirwatch.config.draft import Draft


@dataclass(frozen=True, slots=True)
class Suggestion:
    """A rule to paste.

    Attributes:
        keys: of the `[[rule]]`, in order.
        title: what it will say.
        missing: keys that only the keeper can give; with any of them it is no whole rule yet.
    """

    failure: str
    keys: Mapping[str, Any]
    title: str
    missing: tuple[str, ...]

    def titled(self, title: str) -> "Suggestion":
        """Return it with a title of its own."""
        return replace(self, keys={**self.keys, "title": title}, title=title)

    def toml(self) -> str:
        """Return it as it is written; commented out while something is missing."""
        lines = ["[[rule]]", *(f"{key} = {_toml(value)}" for key, value in self.keys.items())]
        if self.missing:
            lines = [f"# {line}" for line in lines]
            lines.append(f"# add {' and '.join(self.missing)}, and take the marks away")
        return "\n".join([f"# {self.failure}: {self.title}", *lines])


def suggested(
    read: Draft, failures: Iterable[str], templates: Sequence[Template]
) -> list[Suggestion]:
    """Return a rule for each of the failures on each channel that plays its part.

    Args:
        read: the file.
        failures: those without a rule.
        templates: the catalogue's rules.
    """
    channels = {
        channel.id: Seen(
            channel.id,
            channel.quantity,
            channel.unit,
            channel.vessel,
            tuple(channel.states or ()),
            channel.title,
        )
        for channel in (entry.config for entry in read.channels_by_id.values())
    }
    links = Links(channels, plant_of(read), _told_by_switch(templates, channels.values()))
    timed = frozenset(unguarded(read))
    taken = set(read.ids["rule"])
    found = []
    for failure in failures:
        choices = list(_choices(failure, templates, links, timed))
        titles = Counter(template.title_on(channel.label) for template, channel in choices)
        for template, channel in choices:
            sides = sum(channel is other for _, other in choices) > 1
            alike = {other.id for _, other in choices if other.name == channel.name}
            name = channel.name if len(alike) == 1 else "/".join(channel.id.split("/")[1:])
            suggestion = _suggestion(
                template, channel, links, name=name if len(choices) > 1 else "", sides=sides
            )
            if titles[suggestion.title] > 1:  # a notice must say which of them it is
                suggestion = suggestion.titled(f"{suggestion.title}: {name.replace('/', ' ')}")
            if suggestion.keys["id"] not in taken:
                taken.add(suggestion.keys["id"])
                found.append(suggestion)
    return found


def _told_by_switch(templates: Sequence[Template], channels: Iterable[Seen]) -> dict[str, str]:
    """Return the failures of which a rule on a switch can know here, for what waits for them."""
    switches = [channel for channel in channels if channel.quantity == "switch"]
    return {t.failure: t.failure for t in templates if t.quantity == "switch" and switches}


def unguarded(read: Draft) -> list[str]:
    """Return the channels that report on time, and whose silence no rule tells."""
    guarded = {rule.channel for _, rule in read.channel_rules() if getattr(rule, "silent", False)}
    return [
        entry.config.id
        for entry in read.channels
        if entry.config.expected_every_s is not None and entry.config.id not in guarded
    ]


def _choices(
    failure: str, templates: Sequence[Template], links: Links, timed: frozenset[str]
) -> Iterator[tuple[Template, Seen]]:
    """Yield the first kind of rule of a failure for each channel, all its sides."""
    for channel in links.channels.values():
        kind = ""
        for template in templates:
            if template.failure != failure or not _fits(template, channel, links, timed):
                continue
            kind = kind or template.keys["kind"]
            if template.keys["kind"] == kind:
                yield template, channel


def _fits(template: Template, channel: Seen, links: Links, timed: frozenset[str]) -> bool:
    if template.quantity == ANY:  # silence can be told of whatever reports on time
        return template.keys.get("silent") is True and channel.id in timed
    if template.quantity != channel.quantity:
        return False
    if "from" in template.links:  # a twin is named once, not by both
        twin = links.linked(template, channel)[0].get("from")
        if twin is None or list(links.channels).index(twin) < list(links.channels).index(
            channel.id
        ):
            return False
    plays = not template.near or PARTS[template.near](links.plant, channel, channel)
    return plays and unit_fits(template, channel)


def _suggestion(
    template: Template, channel: Seen, links: Links, *, name: str, sides: bool
) -> Suggestion:
    """Return a rule for a channel; `name`: what tells its id from others of the failure."""
    told, missing = limits_of(template, links.plant, channel)
    limits = {key: told[key] for key in LIMITS if key in template.keys}
    if "is" in limits and channel.well_word:
        limits, sides = {"is": False}, True
    part = name.replace("/", "-").replace(":", "-")
    side = f"-{_side(limits)}" if sides and name else ""
    keys: dict[str, Any] = {
        "id": f"{template.failure}-{part}{side}" if name else template.failure,
        "from_catalogue": template.failure,
        "channel": channel.id,
    }
    keys |= limits if sides else {}
    unfound = links.linked(template, channel)[1]
    title = template.title_on(channel.label)
    return Suggestion(template.failure, keys, title, tuple(dict.fromkeys([*missing, *unfound])))


def _side(limits: Mapping[str, Any]) -> str:
    if "is" in limits:
        return "on" if limits["is"] else "off"
    return next(iter(limits), "")


def _toml(value: object) -> str:
    if isinstance(value, bool):
        return "true" if value else "false"
    return f'"{value}"' if isinstance(value, str) else f"{value:g}"
