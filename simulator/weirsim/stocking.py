"""What lives in the plant and what it breathes, builds and leaves: the frozen assumptions.

Shares and rates are common practice, no source, unless something else is said. A keeper's own
figures, `[plant.stocking]` of the configuration, replace them.
"""

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Stocking:
    """How the plant is stocked, and what brings it oxygen.

    Attributes:
        uptake_mg_l_h: of everything alive in the displays and the refuge, in the dark at 25 °C;
            stocked reefs at night 0.2 to 1.0.
        most_deficit_mg_l: no plant is stocked so densely that its oxygen would rest farther below
            saturation at night with everything running: the uptake is less where needed.
        sump_share: of that uptake, per litre of sump: bacteria on its surfaces.
        q10: factor of all that lives per 10 K.
        daylight: gross photosynthesis under the lights as a multiple of the uptake in the dark.
        half_mg_l: oxygen at which breathing has fallen to half.
        loop_uptake_mg_l_h: in a side loop that stands: bacteria on all its surfaces.
        still_cm_h, stirred_cm_h: oxygen's transfer through the surface without and with
            circulation pumps.
        weir_share: of the oxygen deficit that a fall over a weir evens out.
        skimmer_share: the same, of the water that goes through the skimmer.
        weir_co2_share, skimmer_co2_share: the same of carbon dioxide, which the little air of a
            skimmer takes up less completely.
        calcification_dkh_day: alkalinity that skeletons take up in a day of 12 hours of light at
            25 °C and the water's aragonite saturation of the start.
        light_enhancement: calcification under light over that in the dark; 3: median of Gattuso,
            Allemand & Frankignoulle 1999, Amer. Zool. 39:160 (from memory).
        excreted: mol of ammonia per mol of oxygen breathed that algae do not take up at once.
        nitrified_mg_l_h: most ammonia (as N) that the filter's bacteria take up at 25 °C.
        nitrify_half_mg_l: ammonia (as N) at which they take up half of it.
        decay_oxygen: grams of oxygen that decay takes with each gram of nitrogen it sets free.
    """

    uptake_mg_l_h: float = 0.6
    most_deficit_mg_l: float = 1.2
    sump_share: float = 0.15
    q10: float = 2.0
    daylight: float = 2.35
    half_mg_l: float = 0.3
    loop_uptake_mg_l_h: float = 1.0
    still_cm_h: float = 0.7
    stirred_cm_h: float = 4.0
    weir_share: float = 0.15
    skimmer_share: float = 0.6
    weir_co2_share: float = 0.15
    skimmer_co2_share: float = 0.6
    calcification_dkh_day: float = 1.0
    light_enhancement: float = 3.0
    excreted: float = 0.02
    nitrified_mg_l_h: float = 0.1
    nitrify_half_mg_l: float = 0.2
    decay_oxygen: float = 4.0


@dataclass(frozen=True, slots=True)
class Mixture:
    """What the water is made up to, at the start and by every change of it.

    Attributes:
        alkalinity_dkh: total alkalinity.
        calcium_mg_l: calcium.
        ph_nbs: mean of day and night.
        ph_swing: half of the day/night swing that the water has at the start.
    """

    alkalinity_dkh: float = 8.0
    calcium_mg_l: float = 420.0
    ph_nbs: float = 8.04
    ph_swing: float = 0.12
