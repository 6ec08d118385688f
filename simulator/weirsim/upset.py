"""What is wrong with the plant right now, as the physics and the nodes see it."""

from dataclasses import dataclass, field


@dataclass(slots=True)
class Upset:
    """The sum of all active faults; a fresh one says that everything works.

    Attributes:
        mains: mains power present.
        circuit: the life-support circuit is fed (return pump, heaters, skimmer) while mains are on.
        pump_stopped: the return pump stands.
        flow_share: share of its clean flow that the return pump's fouling leaves, 0 to 1.
        heaters_on, heaters_off: ids of heaters stuck on, or without heat.
        top_off: None: works; True: runs on; False: does not run.
        siphons: vessels whose siphon break is blocked.
        overflows: vessel → open share of its overflow.
        valves: loop → share of its valve that is open.
        floor_leak_m3_s: from the return pipe onto the sump room's floor, with the pump running.
        vessel_leaks_m3_s: vessel → loss with a full vessel, not seen by the sump room's floor.
        skimmer_stopped: the skimmer's pump stands.
        lights: None: by the clock; True or False: stuck so.
        room_rise_k: added to the room's temperature.
        silent, frozen: channels that say nothing, or the same for ever.
        drift: channel → offset in its unit.
        offline: nodes that cannot reach the network, though they run.
    """

    mains: bool = True
    circuit: bool = True
    pump_stopped: bool = False
    flow_share: float = 1.0
    heaters_on: set[str] = field(default_factory=set)
    heaters_off: set[str] = field(default_factory=set)
    top_off: bool | None = None
    siphons: set[str] = field(default_factory=set)
    overflows: dict[str, float] = field(default_factory=dict)
    valves: dict[str, float] = field(default_factory=dict)
    floor_leak_m3_s: float = 0.0
    vessel_leaks_m3_s: dict[str, float] = field(default_factory=dict)
    skimmer_stopped: bool = False
    lights: bool | None = None
    room_rise_k: float = 0.0
    silent: set[str] = field(default_factory=set)
    frozen: set[str] = field(default_factory=set)
    drift: dict[str, float] = field(default_factory=dict)
    offline: set[str] = field(default_factory=set)

    @property
    def powered(self) -> bool:
        """Whether pumps and heaters have power."""
        return self.mains and self.circuit
