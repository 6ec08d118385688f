"""Home of what the page knows at one moment, and of what never changes while it runs."""

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import Any
from zoneinfo import ZoneInfo

from weirwatch.domain.alarm import Alarm
from weirwatch.domain.devices import Device
from weirwatch.domain.failures import SafetyCard
from weirwatch.domain.instant import SECOND, Micros
from weirwatch.domain.planned_work import PlannedWork
from weirwatch.domain.reading import Channel
from weirwatch.domain.rule import Rule
from weirwatch.ports import Newest, NodeState, Notice, Quarantined, StoredEvent
from weirwatch.settings import PlantSettings, Settings, SystemSettings


@dataclass(frozen=True, slots=True)
class Fixture:
    """What the configuration says, ready for looking up.

    Attributes:
        channels, rules: by id, in file order.
        lag: how late a reading may come to the page with nothing wrong: the group commit and the
            page's own rhythm, in service time.
        card_of: the safety card of a failure id, or None.
        computed: ids of the channels that are derived from others.
        works: planned work by id; that of a proof is not among it.
    """

    systems: tuple[SystemSettings, ...]
    channels: Mapping[str, Channel]
    rules: Mapping[str, Rule]
    plant: PlantSettings | None
    zone: ZoneInfo
    lag: Micros
    card_of: Callable[[str], SafetyCard | None]
    devices: tuple[Device, ...] = ()
    computed: frozenset[str] = frozenset()
    works: Mapping[str, PlannedWork] = field(default_factory=dict)

    @property
    def title(self) -> str:
        """The title of the page: that of the system, or of all of them."""
        return ", ".join(system.title or system.id for system in self.systems)


def fixture(
    settings: Settings, card_of: Callable[[str], SafetyCard | None], speed: float
) -> Fixture:
    """Return the settings as the page looks them up; `speed` is that of the clock."""
    return Fixture(
        systems=settings.systems,
        channels={channel.id: channel for channel in settings.channels},
        rules={rule.id: rule for rule in settings.rules},
        plant=settings.plant,
        zone=settings.service.time_zone,
        lag=round((settings.service.commit_every + 3 * SECOND) * speed),
        card_of=card_of,
        devices=settings.devices,
        computed=frozenset(entry.channel for entry in settings.derived),
        works={work.id: work for work in settings.planned_works},
    )


@dataclass(frozen=True, slots=True)
class Sight:
    """What the page knows at one moment; the same object means that nothing happened since.

    Attributes:
        seen: the record has been read at least once.
        events, notices, quarantined: the newest ones, newest first.
        quarantine_counts: since the file was made, by code.
        health: the core's health document; empty until it has answered.
        works: planned work as the core tells it (see `pipeline.work_desk`); empty until then.
        core_lost_at: since when the core has not answered; None while it answers.
        record_lost_at: since when the record could not be read; None while it can.
    """

    seen: bool = False
    alarms: Mapping[str, Alarm] = field(default_factory=dict)
    newest: Mapping[str, Newest] = field(default_factory=dict)
    nodes: Mapping[str, NodeState] = field(default_factory=dict)
    events: tuple[StoredEvent, ...] = ()
    notices: tuple[Notice, ...] = ()
    quarantined: tuple[Quarantined, ...] = ()
    quarantine_counts: Mapping[str, int] = field(default_factory=dict)
    health: Mapping[str, Any] = field(default_factory=dict)
    works: tuple[Mapping[str, Any], ...] = ()
    core_lost_at: Micros | None = None
    record_lost_at: Micros | None = None
