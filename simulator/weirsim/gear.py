"""What cools, doses, skims and vents: frozen descriptions of chiller, reactor, doser, cup and air.

Defaults are common practice, no source. The reactor is there when the plant has its side loop.
"""

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class ReactorSpec:
    """The calcium reactor on a side loop, whose effluent valve lets a part of it through.

    Attributes:
        loop: id of its side loop; a plant without that loop has no reactor.
        chamber_l: water in its chamber.
        effluent_ml_min: through the chamber at the loop's design flow; the rest flows past.
        gas_mmol_h: carbon dioxide as set; 28 mmol/h are 11 mL of gas a minute.
        dissolving_mol_h: rate constant k of its media, R = k (1 − Ω), Ω for aragonite.
        bottle_kg: carbon dioxide in the bottle at the start.
    """

    loop: str = "reactor"
    chamber_l: float = 12.0
    effluent_ml_min: float = 95.0
    gas_mmol_h: float = 28.0
    dissolving_mol_h: float = 0.07
    bottle_kg: float = 4.0


@dataclass(frozen=True, slots=True)
class ChillerSpec:
    """A chiller with a thermostat: on above set + hysteresis/2, off below set − hysteresis/2.

    It gives its heat to a room whose temperature is given, so that it warms nothing here.

    Attributes:
        cooling_w: heat that it takes out of the water while it runs.
        set_degc, hysteresis_k: of its thermostat, in the water that it takes in.
        vessel: whose water it takes and gives back, by a pump of its own; empty: it has a loop.
        loop: side loop on which it hangs: it takes the sump's water, cools what the loop feeds,
            and stands while the loop does not flow; empty: it has a vessel.
        electric_w: its electric power while it runs.
    """

    id: str
    cooling_w: float
    set_degc: float
    hysteresis_k: float
    vessel: str = ""
    loop: str = ""
    electric_w: float = 0.0


@dataclass(frozen=True, slots=True)
class DoserSpec:
    """A dosing pump of two-part solution: alkalinity as carbonate, and the calcium for it.

    Attributes:
        rate_l_h: of its pump.
        strength_meq_l: alkalinity of the solution.
        every_h, for_s: how often and for how long its clock lets it run.
    """

    rate_l_h: float = 1.2
    strength_meq_l: float = 1000.0
    every_h: float = 3.0
    for_s: float = 60.0


@dataclass(frozen=True, slots=True)
class SkimmateSpec:
    """The foam of the skimmer and the cup that takes it.

    Attributes:
        cup_l: contents of the cup.
        full_share: of it at which the cup's float closes its contact.
        foam_l_h: wet foam in ordinary life.
        wet_foam_l_h: what a skimmer that has gone wild pushes over.
    """

    cup_l: float = 3.0
    full_share: float = 0.8
    foam_l_h: float = 0.01
    wet_foam_l_h: float = 12.0


@dataclass(frozen=True, slots=True)
class AirSpec:
    """The air of the sump room.

    Attributes:
        volume_m3: of the room.
        changes_h: times a day-to-day draught changes it in an hour.
        outdoor_ppm: carbon dioxide outdoors.
        people_l_h: carbon dioxide breathed out in it, mean of the day.
        crowd_l_h, shut_changes_h: the same with many people and shut windows.
        bottle_leak_l_h: what a leaking gas bottle lets out.
    """

    volume_m3: float = 80.0
    changes_h: float = 0.5
    outdoor_ppm: float = 420.0
    people_l_h: float = 2.0
    crowd_l_h: float = 60.0
    shut_changes_h: float = 0.25
    bottle_leak_l_h: float = 300.0


@dataclass(frozen=True, slots=True)
class StripSpec:
    """The socket strip of the plant and what warms it.

    Attributes:
        rise_k: above the room by the load of ordinary life.
        worn_w: heat of a worn contact at severity 1.
        k_per_w: thermal resistance to the room.
        settles_s: its thermal time constant.
    """

    rise_k: float = 6.0
    worn_w: float = 45.0
    k_per_w: float = 1.6
    settles_s: float = 600.0
