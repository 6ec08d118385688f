"""What a probe said: one reading of one channel, and the channel it belongs to."""

from dataclasses import dataclass
from enum import IntEnum
from typing import NamedTuple

from weirwatch.domain.instant import Micros


class Quality(IntEnum):
    """How far a reading can be trusted. Only good readings raise or clear an alarm."""

    GOOD = 0
    UNCERTAIN = 1
    BAD = 2

    @property
    def word(self) -> str:
        """The word people read: good, uncertain or bad."""
        return self.name.lower()


class Reading(NamedTuple):
    """One value of one channel at one time.

    Attributes:
        channel: full channel id, `system/node/name`.
        time: the reading's own time.
        value: in the channel's unit; a switch is 0.0 or 1.0; never NaN or infinite.
        quality: as judged by `domain.liveness`.
        reason: why it is not good; empty when good.
    """

    channel: str
    time: Micros
    value: float
    quality: Quality = Quality.GOOD
    reason: str = ""


@dataclass(frozen=True, slots=True)
class Channel:
    """One time series as configured.

    Attributes:
        id: `system/node/name`, as on the wire.
        quantity: temperature, ph, level, flow, conductivity, salinity, switch, power, …
        unit: SenML symbol or one of ours; empty for a switch or a dimensionless value.
        expected_every: span between readings, or None when it reports on change only.
        silent_after: silent when no reading came for so long; None without `expected_every`.
        valid: lowest and highest believable value, or None.
        resolution: smallest step of the probe in its unit, or None.
        warm_up: readings so soon after their node's power-up are uncertain.
        max_change_per_s: fastest believable change, in its unit per second, or None.
        frozen_after: readings that have been the same for so long are uncertain; None: never.
        vessel: id of the vessel it belongs to, for grouping; empty for the room.
        title: what people call it; empty: made from the id.
        states: of a switch: what its 0 and its 1 are called.
    """

    id: str
    quantity: str
    unit: str = ""
    expected_every: Micros | None = None
    silent_after: Micros | None = None
    valid: tuple[float, float] | None = None
    resolution: float | None = None
    warm_up: Micros = 0
    vessel: str = ""
    title: str = ""
    max_change_per_s: float | None = None
    frozen_after: Micros | None = None
    states: tuple[str, str] = ("off", "on")

    @property
    def system(self) -> str:
        """The system's id."""
        return self.id.split("/", 2)[0]

    @property
    def node(self) -> str:
        """The node's id within its system."""
        return self.id.split("/", 2)[1]

    @property
    def name(self) -> str:
        """The channel's name within its node."""
        return self.id.split("/", 2)[2]

    @property
    def is_switch(self) -> bool:
        """Whether its values are 0 and 1."""
        return self.quantity == "switch"

    @property
    def label(self) -> str:
        """The title, or one made from the id."""
        return self.title or self.name.replace("-", " ").replace("_", " ").capitalize()
