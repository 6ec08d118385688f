"""What is wrong with the plant right now, as the physics and the nodes see it."""

from dataclasses import dataclass, field


@dataclass(slots=True)
class ProbeTrouble:
    """What is wrong with one probe.

    Attributes:
        silent, frozen: it says nothing, or the same for ever.
        drift: offset as a share of its range.
        fouled: how far growth has slowed it, 0 to 1.
        bubble: share of its readings that an air bubble spoils.
        dropped: share of its readings that never come.
        in_cup: it stands in its calibration cup.
    """

    silent: bool = False
    frozen: bool = False
    drift: float = 0.0
    fouled: float = 0.0
    bubble: float = 0.0
    dropped: float = 0.0
    in_cup: bool = False


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
        circulation_share: share of the circulation pumps that run.
        bloom_mg_l_h: oxygen that bacteria in all the water take beside the stock.
        decay_g_h: nitrogen that something dead in the first display sets free.
        lime: share of saturation of the lime-water in the top-off's reservoir.
        filler_m3_s: supply water that runs into the reservoir.
        wild_foam: how far the skimmer has gone wild, 0 to 1.
        doser: None: by its clock; True: runs on; False: stands.
        poured_dkh_h: alkalinity that hands pour into the sump, of all the water.
        gas_mol_h: gas into the reactor beside what is set, with power or without.
        effluent_share: share of the reactor's effluent valve that is open.
        gas_leak, crowd: gas from a leaking bottle, and people in a shut room, 0 to 1.
        worn_contact: how worn a contact of the socket strip is, 0 to 1.
        chiller_failed: the chiller does not cool.
        probes: channel → what is wrong with its probe.
        offline: nodes that cannot reach the network, though they run.
        clock_off_s: node → how far its clock is ahead.
        doubling, rebooting: nodes that send each pack twice, or start again and again.
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
    circulation_share: float = 1.0
    bloom_mg_l_h: float = 0.0
    decay_g_h: float = 0.0
    lime: float = 0.0
    filler_m3_s: float = 0.0
    wild_foam: float = 0.0
    doser: bool | None = None
    poured_dkh_h: float = 0.0
    gas_mol_h: float = 0.0
    effluent_share: float = 1.0
    gas_leak: float = 0.0
    crowd: float = 0.0
    worn_contact: float = 0.0
    chiller_failed: bool = False
    probes: dict[str, ProbeTrouble] = field(default_factory=dict)
    offline: set[str] = field(default_factory=set)
    clock_off_s: dict[str, float] = field(default_factory=dict)
    doubling: set[str] = field(default_factory=set)
    rebooting: set[str] = field(default_factory=set)

    @property
    def powered(self) -> bool:
        """Whether pumps and heaters have power."""
        return self.mains and self.circuit
