"""Harbour Hall, the plant of the demo: its spec and the probes of its three nodes.

Invented, like the place. The channel table for whoever configures it is docs/demo-channels.md; a
test keeps the two alike.
"""

from weirsim.instruments import NodeSpec, ProbeSpec
from weirsim.plant import HeaterSpec, LoopSpec, PlantSpec, PumpSpec, TopOffSpec, VesselSpec

SPEC = PlantSpec(
    system="harbour-hall",
    vessels=(
        VesselSpec(
            id="north",
            role="display",
            volume_l=1400.0,
            area_m2=1.2,
            height_m=1.21,
            crest_m=1.1574,
            crest_length_m=0.44,
            outlet_below_crest_m=0.09,
        ),
        VesselSpec(
            id="south",
            role="display",
            volume_l=900.0,
            area_m2=0.8,
            height_m=1.17,
            crest_m=1.1157,
            crest_length_m=0.28,
            outlet_below_crest_m=0.09,
        ),
        VesselSpec(
            id="refuge",
            role="refuge",
            volume_l=260.0,
            area_m2=0.5,
            height_m=0.56,
            crest_m=0.5144,
            crest_length_m=0.25,
            outlet_below_crest_m=0.03,
        ),
        VesselSpec(
            id="sump", role="sump", volume_l=420.0, working_l=300.0, area_m2=1.0, height_m=0.42
        ),
        VesselSpec(id="reservoir", role="reservoir", volume_l=120.0, area_m2=0.2, height_m=0.62),
    ),
    pump=PumpSpec(
        id="return",
        flow_l_h=6000.0,
        static_head_m=1.9,
        shutoff_head_m=4.5,
        pipe_m=8.0,
        pipe_d_m=0.0409,
        power_w=110.0,
    ),
    loops=(
        LoopSpec(id="uv", feeds="sump", flow_l_h=1000.0),
        LoopSpec(id="refuge", feeds="refuge", flow_l_h=700.0),
        LoopSpec(id="reactor", feeds="sump", flow_l_h=60.0),
    ),
    heaters=(
        HeaterSpec(id="heater-1", vessel="sump", power_w=300.0, set_degc=25.5, hysteresis_k=0.2),
        HeaterSpec(id="heater-2", vessel="sump", power_w=300.0, set_degc=25.4, hysteresis_k=0.2),
    ),
    top_off=TopOffSpec(reservoir="reservoir", rate_l_h=30.0, set_level_mm=300.0, hysteresis_mm=3.0),
    room_degc=22.0,
    loss_w_per_k=45.0,
    evaporation_l_per_day=14.0,
    salinity=35.0,
)


def _switch(name: str, source: str, title: str, vessel: str = "") -> ProbeSpec:
    return ProbeSpec(name, source, "switch", title=title, vessel=vessel)


def _level(name: str, vessel: str, top_mm: float, noise: float = 0.5) -> ProbeSpec:
    return ProbeSpec(
        name=name,
        source=f"level:{vessel}",
        quantity="level",
        unit="mm",
        noise=noise,
        resolution=1.0,
        valid=(0.0, top_mm),
        lag_s=2.0,
        title=f"{vessel.capitalize()} level",
        vessel=vessel,
    )


def _temperature(name: str, vessel: str) -> ProbeSpec:
    return ProbeSpec(
        name=name,
        source=f"temperature:{vessel}",
        quantity="temperature",
        unit="Cel",
        wire_unit="Cel",
        noise=0.01,
        resolution=0.01,
        valid=(5.0, 40.0),
        lag_s=20.0,
        title=f"{vessel.capitalize()} temperature",
        vessel=vessel,
    )


def _flow(
    branch: str, top_l_h: float, noise: float, resolution: float, vessel: str = "sump"
) -> ProbeSpec:
    return ProbeSpec(
        name=f"{branch}-flow",
        source=f"flow:{branch}",
        quantity="flow",
        unit="L/h",
        noise=noise,
        resolution=resolution,
        valid=(0.0, top_l_h),
        starts_at=0.012 * top_l_h,
        lag_s=2.0,
        title=f"{'UV' if branch == 'uv' else branch.capitalize()} flow",
        vessel=vessel,
    )


SUMP_NODE = NodeSpec(
    id="sump-node",
    power="mains",
    probes=(
        _level("level", "sump", 450.0, noise=0.6),
        _temperature("temperature", "sump"),
        _flow("return", 9000.0, 25.0, 10.0),
        _flow("uv", 2500.0, 6.0, 5.0),
        _flow("refuge", 2500.0, 5.0, 5.0, vessel="refuge"),
        _flow("reactor", 250.0, 0.5, 0.5),
        _flow("skimmer", 4000.0, 15.0, 10.0),
        ProbeSpec(
            name="conductivity",
            source="conductivity:sump",
            quantity="conductivity",
            unit="mS/cm",
            noise=0.03,
            resolution=0.01,
            valid=(30.0, 70.0),
            lag_s=10.0,
            title="Conductivity",
            vessel="sump",
        ),
        ProbeSpec(
            name="ph",
            source="ph:sump",
            quantity="ph",
            unit="pH",
            wire_unit="pH",
            noise=0.005,
            resolution=0.01,
            valid=(4.0, 10.0),
            lag_s=20.0,
            title="pH",
            vessel="sump",
        ),
        ProbeSpec(
            name="reactor-ph",
            source="reactor-ph",
            quantity="ph",
            unit="pH",
            wire_unit="pH",
            noise=0.01,
            resolution=0.01,
            valid=(4.0, 10.0),
            lag_s=60.0,
            title="Reactor chamber pH",
            vessel="sump",
        ),
        ProbeSpec(
            name="reactor-effluent",
            source="reactor-effluent",
            quantity="flow",
            unit="mL/min",
            noise=1.0,
            resolution=1.0,
            valid=(0.0, 300.0),
            starts_at=3.6,
            lag_s=10.0,
            title="Reactor effluent",
            vessel="sump",
        ),
        ProbeSpec(
            name="alkalinity",
            source="alkalinity:sump",
            quantity="alkalinity",
            unit="dKH",
            noise=0.03,
            resolution=0.01,
            valid=(2.0, 20.0),
            hold_s=900.0,
            title="Alkalinity",
            vessel="sump",
        ),
        ProbeSpec(
            name="ammonia",
            source="ammonia:sump",
            quantity="ammonia",
            unit="mg/L",
            noise=0.003,
            resolution=0.001,
            valid=(0.0, 5.0),
            hold_s=900.0,
            title="Ammonia",
            vessel="sump",
        ),
        _switch("skimmer-cup-full", "cup-full", "Skimmer cup full", "sump"),
        _switch("doser", "doser", "Doser", "sump"),
        _level("reservoir-level", "reservoir", 650.0),
        _switch("top-off", "top-off", "Top-off pump", "reservoir"),
        ProbeSpec(
            name="heater-power",
            source="heater-power",
            quantity="power",
            unit="W",
            wire_unit="W",
            noise=1.0,
            resolution=1.0,
            valid=(0.0, 800.0),
            starts_at=5.0,
            title="Heater power",
            vessel="sump",
        ),
    ),
)

HALL_NODE = NodeSpec(
    id="hall-node",
    power="mains",
    probes=(
        _level("north-level", "north", 1250.0),
        _temperature("north-temperature", "north"),
        _level("south-level", "south", 1250.0),
        _temperature("south-temperature", "south"),
        _level("refuge-level", "refuge", 600.0),
        _temperature("refuge-temperature", "refuge"),
        ProbeSpec(
            name="north-oxygen",
            source="oxygen:north",
            quantity="oxygen",
            unit="mg/L",
            noise=0.02,
            resolution=0.01,
            valid=(0.0, 20.0),
            lag_s=30.0,
            title="North oxygen",
            vessel="north",
        ),
        ProbeSpec(
            name="circulation-power",
            source="circulation-power",
            quantity="power",
            unit="W",
            wire_unit="W",
            noise=0.3,
            resolution=1.0,
            valid=(0.0, 200.0),
            starts_at=2.4,
            title="Circulation power",
            vessel="north",
        ),
        _switch("lights", "lights", "Lights", "north"),
    ),
)

POWER_NODE = NodeSpec(
    id="power-node",
    power="battery",
    probes=(
        _switch("mains", "mains", "Mains"),
        ProbeSpec(
            name="battery",
            source="battery",
            quantity="charge",
            unit="%EL",
            wire_unit="%EL",
            noise=0.2,
            resolution=1.0,
            valid=(0.0, 100.0),
            title="Battery",
        ),
        ProbeSpec(
            name="battery-voltage",
            source="battery-voltage",
            quantity="voltage",
            unit="V",
            wire_unit="V",
            noise=0.01,
            resolution=0.01,
            valid=(9.0, 16.0),
            title="Battery voltage",
        ),
        ProbeSpec(
            name="room-temperature",
            source="room-temperature",
            quantity="temperature",
            unit="Cel",
            wire_unit="Cel",
            noise=0.03,
            resolution=0.1,
            valid=(-10.0, 50.0),
            lag_s=60.0,
            title="Room temperature",
        ),
        ProbeSpec(
            name="strip-temperature",
            source="strip-temperature",
            quantity="temperature",
            unit="Cel",
            wire_unit="Cel",
            noise=0.1,
            resolution=0.1,
            valid=(-10.0, 120.0),
            lag_s=20.0,
            title="Socket strip temperature",
        ),
        ProbeSpec(
            name="room-co2",
            source="room-co2",
            quantity="co2",
            unit="ppm",
            noise=8.0,
            resolution=1.0,
            valid=(0.0, 10000.0),
            lag_s=30.0,
            title="Room carbon dioxide",
        ),
        _level("sump-level", "sump", 450.0, noise=0.8),
        _switch("floor-dry", "floor-dry", "Floor dry"),
        _switch("high-float-closed", "float-closed", "High float closed", "sump"),
    ),
)

NODES = (SUMP_NODE, HALL_NODE, POWER_NODE)
