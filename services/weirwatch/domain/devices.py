"""Where is it? The breaker, RCD, valve and stop-cock of a device, told with its alarms."""

from collections.abc import Iterable
from dataclasses import dataclass

from weirwatch.domain.rule import Rule


@dataclass(frozen=True, slots=True)
class Device:
    """Something that can fail, and where its power and its water are cut off.

    Attributes:
        rules: ids of the rules whose alarms are about it.
        place: where it stands.
        breaker, rcd: which one feeds it, and where that is; empty: not told.
        valve, stop_cock: which one shuts its water off, and where that is; empty: not told.
    """

    id: str
    title: str
    rules: frozenset[str]
    place: str = ""
    breaker: str = ""
    rcd: str = ""
    valve: str = ""
    stop_cock: str = ""

    @property
    def facts(self) -> tuple[tuple[str, str], ...]:
        """What is known of it, as (what, where) in the order to read it: power first."""
        known = (
            ("stands", self.place),
            ("breaker", self.breaker),
            ("RCD", self.rcd),
            ("valve", self.valve),
            ("stop-cock", self.stop_cock),
        )
        return tuple((what, where) for what, where in known if where)


def devices_of(rule: Rule, devices: Iterable[Device]) -> tuple[Device, ...]:
    """Return the devices that the rule's alarm is about, in their own order."""
    return tuple(device for device in devices if rule.id in device.rules)


def where_text(device: Device) -> str:
    """Return one sentence on where everything of the device is; empty if nothing is known."""
    facts = ", ".join(f"{what}: {where}" for what, where in device.facts)
    return f"{device.title} – {facts}." if facts else ""
