"""What a plant is: the frozen description that the simulator starts from.

The fields mirror the plant section of the service's configuration; what that section does not say
(lights, circulation pumps, room swing) has defaults here. Lengths in metres, volumes in litres,
flows in litres per hour, as a keeper writes them; the model converts once, at its start.
"""

from dataclasses import dataclass, field, replace
from typing import Literal

from weirsim.gear import AirSpec, ChillerSpec, DoserSpec, ReactorSpec, SkimmateSpec, StripSpec
from weirsim.stocking import Mixture, Stocking

VORTEX_M = 0.02  # water above the intake below which the pump draws some air; no source

Role = Literal["display", "refuge", "sump", "reservoir"]


@dataclass(frozen=True, slots=True)
class VesselSpec:
    """A vessel with straight walls.

    Attributes:
        id: unique within the plant.
        role: display, refuge, sump or reservoir.
        volume_l: water when running (sump: up to the rim; reservoir: when it has been filled).
        area_m2: water surface.
        height_m: inside height, floor to rim.
        working_l: water in the sump when running; None elsewhere.
        crest_m: crest of the overflow weir above the vessel's floor; None: no weir.
        crest_length_m: length of the crest.
        outlet_below_crest_m: depth of the return outlet below the crest.
        siphon_break: whether the return outlet has a working siphon break.
    """

    id: str
    role: Role
    volume_l: float
    area_m2: float
    height_m: float
    working_l: float | None = None
    crest_m: float | None = None
    crest_length_m: float | None = None
    outlet_below_crest_m: float = 0.0
    siphon_break: bool = True


@dataclass(frozen=True, slots=True)
class PumpSpec:
    """The return pump, H(Q) = shutoff_head − k Q² through its design point.

    Attributes:
        id: for messages.
        flow_l_h: flow at the design point with everything clean.
        static_head_m: lift from the sump's working surface to the displays' outlets.
        shutoff_head_m: head at no flow.
        pipe_m, pipe_d_m: length and inner diameter of the riser to the displays.
        power_w: electric power; all of it ends as heat in the water.
        minor_k: sum of the loss coefficients of the riser's fittings.
        outlet_loss_m: head lost in each display's outlet and its valve at the design point.
        intake_m: height above the sump's floor below which the pump draws air.
    """

    id: str
    flow_l_h: float
    static_head_m: float
    shutoff_head_m: float
    pipe_m: float
    pipe_d_m: float
    power_w: float
    minor_k: float = 6.0
    outlet_loss_m: float = 0.3
    intake_m: float = 0.06


@dataclass(frozen=True, slots=True)
class LoopSpec:
    """A side loop from the manifold at the pump, throttled by its own valve.

    Attributes:
        id: unique within the plant.
        feeds: id of the vessel that receives its outflow.
        flow_l_h: design flow with its valve as set.
        outlet_head_m: its outlet above the sump's working surface; None: 0 for a loop back to the
            sump, the displays' lift for a display, half of it for a refuge.
    """

    id: str
    feeds: str
    flow_l_h: float
    outlet_head_m: float | None = None


@dataclass(frozen=True, slots=True)
class HeaterSpec:
    """A heater with a thermostat: on below set − hysteresis/2, off above set + hysteresis/2."""

    id: str
    vessel: str
    power_w: float
    set_degc: float
    hysteresis_k: float


@dataclass(frozen=True, slots=True)
class TopOffSpec:
    """Float-controlled fresh water from the reservoir into the sump.

    Attributes:
        reservoir: id of the reservoir vessel.
        rate_l_h: flow of its pump.
        set_level_mm: middle of the float's travel above the sump's floor.
        hysteresis_mm: travel between on and off.
        refill_below: share of the reservoir at which its keeper fills it up at 18:00; None: never.
    """

    reservoir: str
    rate_l_h: float
    set_level_mm: float
    hysteresis_mm: float
    refill_below: float | None = 0.3


@dataclass(frozen=True, slots=True)
class DaySpec:
    """The day at the plant.

    Attributes:
        utc_offset_h: the plant's local time minus UTC.
        lights_on_h, lights_off_h: local hours, on before off.
        lights_w_per_m2: electric power of the lights per square metre of display.
        lights_to_water: share of it that ends as heat in the water.
        room_swing_k: half the day/night swing of the room, warmest at 15:00.
        room_humidity: relative humidity of the room, 0 to 1.
    """

    utc_offset_h: float = 1.0
    lights_on_h: float = 9.0
    lights_off_h: float = 21.0
    lights_w_per_m2: float = 250.0
    lights_to_water: float = 0.5
    room_swing_k: float = 1.0
    room_humidity: float = 0.5


@dataclass(frozen=True, slots=True)
class PowerSpec:
    """What stays on the mains and what on the battery of the power node.

    Attributes:
        circulation_w: electric power of the circulation pumps in the displays, all heat.
        skimmer_l_h: water through the skimmer; it stands in the sump and returns there.
        skimmer_w: electric power of the skimmer's pump, all heat in the sump.
        battery_h: hours the battery node runs from a full battery.
        recharge_h: hours from empty to full once the mains are back.
    """

    circulation_w: float = 60.0
    skimmer_l_h: float = 1800.0
    skimmer_w: float = 20.0
    battery_h: float = 12.0
    recharge_h: float = 8.0


@dataclass(frozen=True, slots=True)
class PlantSpec:
    """One plumbed body of water.

    Attributes:
        system: id, the first part of every channel id.
        vessels: in the order the water flows from the return pump on; one sump, one display at
            least.
        room_degc: mean room temperature.
        loss_w_per_k: heat loss of all the circulating water to the room, evaporation apart.
        evaporation_l_per_day: of all circulating water, at the heaters' set temperature in the
            room that it is stated for.
        salinity: practical salinity (PSS-78), 2 to 42.
        start_degc: water temperature at the start; None: the first heater's set value, else the
            room's.
        chiller: None: there is none.
        day, power, stocking, mixture, reactor, doser, skimmate, air, strip: what the service's
            configuration does not say.
        high_float_mm: level above the sump's floor at which the high float opens its contact;
            None: 30 mm below the rim.
        stated_room_degc: mean room temperature that the evaporation is stated for; None: that of
            now. A play in another season has a room of its own, and evaporates by that.

    Raises:
        ValueError: a description that cannot work; the message says what to change.
    """

    system: str
    vessels: tuple[VesselSpec, ...]
    pump: PumpSpec
    loops: tuple[LoopSpec, ...] = ()
    heaters: tuple[HeaterSpec, ...] = ()
    top_off: TopOffSpec | None = None
    room_degc: float = 22.0
    loss_w_per_k: float = 0.0
    evaporation_l_per_day: float = 0.0
    salinity: float = 35.0
    start_degc: float | None = None
    high_float_mm: float | None = None
    day: DaySpec = field(default_factory=DaySpec)
    power: PowerSpec = field(default_factory=PowerSpec)
    stocking: Stocking = field(default_factory=Stocking)
    mixture: Mixture = field(default_factory=Mixture)
    reactor: ReactorSpec = field(default_factory=ReactorSpec)
    doser: DoserSpec = field(default_factory=DoserSpec)
    skimmate: SkimmateSpec = field(default_factory=SkimmateSpec)
    air: AirSpec = field(default_factory=AirSpec)
    strip: StripSpec = field(default_factory=StripSpec)
    chiller: ChillerSpec | None = None
    stated_room_degc: float | None = None

    def __post_init__(self) -> None:
        for check in (_check_roles, _check_overflows, _check_flows, _check_references, _check_sump):
            check(self)

    @property
    def sump(self) -> VesselSpec:
        """The vessel that the return pump draws from."""
        return next(vessel for vessel in self.vessels if vessel.role == "sump")

    @property
    def displays(self) -> tuple[VesselSpec, ...]:
        """The vessels that share the riser, in order."""
        return tuple(vessel for vessel in self.vessels if vessel.role == "display")

    def vessel(self, vessel_id: str) -> VesselSpec:
        """Return the vessel of that id.

        Raises:
            ValueError: there is none.
        """
        for vessel in self.vessels:
            if vessel.id == vessel_id:
                return vessel
        known = ", ".join(vessel.id for vessel in self.vessels)
        raise ValueError(f"plant has no vessel {vessel_id!r}; it has {known}")

    @property
    def has_reactor(self) -> bool:
        """Whether one of the side loops is that of the calcium reactor."""
        return any(loop.id == self.reactor.loop for loop in self.loops)

    @property
    def warm_degc(self) -> float:
        """What the water is kept at: the first heater's or a chiller's set value, else as is."""
        return self._kept_degc(self.room_degc)

    @property
    def usual_room_degc(self) -> float:
        """The room that the evaporation is stated for."""
        return self.room_degc if self.stated_room_degc is None else self.stated_room_degc

    @property
    def usual_degc(self) -> float:
        """What the water is kept at in that room."""
        return self._kept_degc(self.usual_room_degc)

    def in_room(self, room_degc: float) -> "PlantSpec":
        """Return the same plant in a room of another mean temperature."""
        if room_degc == self.room_degc:
            return self
        return replace(self, room_degc=room_degc, stated_room_degc=self.usual_room_degc)

    def _kept_degc(self, room_degc: float) -> float:
        if self.heaters:
            return self.heaters[0].set_degc
        if self.start_degc is not None:
            return self.start_degc
        return room_degc if self.chiller is None else min(room_degc, self.chiller.set_degc)


def _check_roles(spec: PlantSpec) -> None:
    ids = [vessel.id for vessel in spec.vessels]
    if len(set(ids)) != len(ids):
        raise ValueError("plant: two vessels have the same id; give each its own")
    if [vessel.role for vessel in spec.vessels].count("sump") != 1:
        raise ValueError("plant: needs exactly one vessel with role 'sump'")
    if not spec.displays:
        raise ValueError("plant: needs at least one vessel with role 'display'")
    if not 2.0 <= spec.salinity <= 42.0:
        raise ValueError(f"plant: salinity {spec.salinity:g} is outside 2 to 42 (PSS-78)")


def _check_overflows(spec: PlantSpec) -> None:
    for vessel in spec.vessels:
        if min(vessel.volume_l, vessel.area_m2, vessel.height_m) <= 0.0:
            raise ValueError(f"vessel {vessel.id}: volume, area and height must be above 0")
        if vessel.role in ("display", "refuge"):
            if not vessel.crest_m or not vessel.crest_length_m:
                raise ValueError(
                    f"vessel {vessel.id}: give crest_m and crest_length_m of its overflow"
                )
            if vessel.crest_m >= vessel.height_m:
                raise ValueError(f"vessel {vessel.id}: crest_m must be below height_m")
    sump = spec.sump
    if sump.working_l is None or not 0.0 < sump.working_l < sump.volume_l:
        raise ValueError(f"vessel {sump.id}: working_l must lie between 0 and volume_l")


def _check_flows(spec: PlantSpec) -> None:
    pump = spec.pump
    if min(pump.flow_l_h, pump.static_head_m, pump.pipe_d_m, pump.outlet_loss_m) <= 0.0:
        raise ValueError(
            f"pump {pump.id}: flow, static head, pipe diameter and outlet loss must be above 0"
        )
    side_l_h = sum(loop.flow_l_h for loop in spec.loops)
    if side_l_h >= pump.flow_l_h:
        raise ValueError(
            f"pump {pump.id}: {pump.flow_l_h:g} L/h leave nothing for the displays after the "
            f"{side_l_h:g} L/h of the side loops"
        )
    if min((loop.flow_l_h for loop in spec.loops), default=1.0) <= 0.0:
        raise ValueError("plant: every side loop needs a flow_l_h above 0")


def _check_references(spec: PlantSpec) -> None:
    for loop in spec.loops:
        if spec.vessel(loop.feeds).role == "reservoir":
            raise ValueError(f"loop {loop.id}: cannot feed the reservoir {loop.feeds}")
    for heater in spec.heaters:
        if spec.vessel(heater.vessel).role == "reservoir":
            raise ValueError(f"heater {heater.id}: cannot stand in the reservoir {heater.vessel}")
    _check_chiller(spec)
    if spec.top_off and spec.vessel(spec.top_off.reservoir).role != "reservoir":
        raise ValueError(f"top-off: vessel {spec.top_off.reservoir} is not a reservoir")


def _check_sump(spec: PlantSpec) -> None:
    sump, top_off = spec.sump, spec.top_off
    working_mm = (sump.working_l or 0.0) / sump.area_m2
    rim_mm = sump.volume_l / sump.area_m2
    air_mm = 1000.0 * (spec.pump.intake_m + VORTEX_M)
    if working_mm <= air_mm:
        raise ValueError(
            f"vessel {sump.id}: working_l stands {working_mm:.0f} mm high over its area_m2, and "
            f"the return pump draws air below {air_mm:.0f} mm"
        )
    if top_off is None:
        return
    low_mm = top_off.set_level_mm - 0.5 * top_off.hysteresis_mm
    high_mm = top_off.set_level_mm + 0.5 * top_off.hysteresis_mm
    if not air_mm < low_mm < high_mm < rim_mm:
        raise ValueError(
            f"top-off: it keeps the sump between {low_mm:g} and {high_mm:g} mm, and that must lie "
            f"between {air_mm:.0f} mm, where the return pump draws air, and the sump's rim at "
            f"{rim_mm:.0f} mm (volume_l over area_m2)"
        )


def _check_chiller(spec: PlantSpec) -> None:
    chiller = spec.chiller
    if chiller is None:
        return
    if bool(chiller.vessel) is bool(chiller.loop):
        raise ValueError(f"chiller {chiller.id}: give either its vessel or its loop")
    if chiller.vessel and spec.vessel(chiller.vessel).role == "reservoir":
        raise ValueError(f"chiller {chiller.id}: cannot cool the reservoir {chiller.vessel}")
    if chiller.loop and chiller.loop not in [loop.id for loop in spec.loops]:
        raise ValueError(f"chiller {chiller.id}: the plant has no side loop {chiller.loop!r}")
    if chiller.cooling_w <= 0.0 or chiller.hysteresis_k <= 0.0:
        raise ValueError(f"chiller {chiller.id}: cooling and hysteresis must be above 0")
