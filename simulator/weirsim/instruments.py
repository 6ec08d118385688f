"""What measures the plant: the frozen descriptions of probes and of the nodes that carry them."""

from dataclasses import dataclass
from typing import Literal


@dataclass(frozen=True, slots=True)
class ProbeSpec:
    """One probe, hence one channel.

    Attributes:
        name: last part of the channel id; unique within the node.
        source: what it measures, as `weirsim.truth` names it, such as `level:sump`.
        quantity: temperature, level, flow, conductivity, ph, oxygen, alkalinity, ammonia, co2,
            power, charge, voltage or switch.
        unit: as the channel is configured; empty for a switch.
        wire_unit: sent as SenML `u`; empty: not sent, the channel's unit holds.
        noise: standard deviation of a reading, in its unit.
        resolution: smallest step, in its unit; 0: none.
        valid: lowest and highest value the probe can send; it saturates there. None: no end.
        starts_at: smallest value it notices: below, it reads 0 without noise, as a turbine meter
            that does not turn; 0: none.
        lag_s: time constant of a first-order lag; 0: none.
        hold_s: it measures anew so seldom and repeats its result in between, as an analyser does
            that needs minutes for one; 0: at every sample.
        drop_share: share of the readings that never come, 0 to 1.
        title, vessel: for tables and pages; empty: none.
    """

    name: str
    source: str
    quantity: str
    unit: str = ""
    wire_unit: str = ""
    noise: float = 0.0
    resolution: float = 0.0
    valid: tuple[float, float] | None = None
    starts_at: float = 0.0
    lag_s: float = 0.0
    hold_s: float = 0.0
    drop_share: float = 0.0
    title: str = ""
    vessel: str = ""

    @property
    def is_switch(self) -> bool:
        """Whether its values are 0 and 1."""
        return self.quantity == "switch"


@dataclass(frozen=True, slots=True)
class NodeSpec:
    """A microcontroller with probes: one MQTT client.

    Attributes:
        id: second part of its channels' ids.
        power: `mains`: off in a power cut; `battery`: goes on until its battery is empty.
        probes: in the order of its packs.
        every_s: virtual seconds between packs, above 0.
    """

    id: str
    power: Literal["mains", "battery"]
    probes: tuple[ProbeSpec, ...]
    every_s: float = 5.0

    def channel(self, system: str, probe: ProbeSpec) -> str:
        """Return the channel id of one of its probes."""
        return f"{system}/{self.id}/{probe.name}"


def channels(system: str, nodes: tuple[NodeSpec, ...]) -> dict[str, ProbeSpec]:
    """Return every channel id with its probe, in the order of the nodes."""
    return {node.channel(system, probe): probe for node in nodes for probe in node.probes}
