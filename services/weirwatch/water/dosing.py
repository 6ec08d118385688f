"""What doses add: stoichiometry of two-part dosing and lime-water, and the overdose guard.

Alkalinity in dKH, volumes in litres of system water, masses of dry pure substance.
"""

from dataclasses import dataclass
from typing import Literal

from weirwatch.water.carbonate import CALCIUM_G_MOL, DKH_PER_MEQ_L, dkh_to_meq_L
from weirwatch.water.ranges import above_zero, in_range, not_negative

Substance = Literal[
    "sodium-bicarbonate",
    "sodium-carbonate",
    "calcium-hydroxide",
    "calcium-chloride-dihydrate",
    "calcium-chloride",
]

LIMEWATER_MMOL_L = 20.3  # saturated Ca(OH)2 at 25 °C, pH about 12.45 (from memory)
CALCIUM_MG_PER_DKH = CALCIUM_G_MOL / 2.0 / DKH_PER_MEQ_L  # 1 mmol Ca goes with 2 meq: 7.147
_SODIUM_CHLORIDE_G_MOL = 58.443
_CACO3_G_MOL = 100.0869


@dataclass(frozen=True, slots=True)
class _Molecule:
    g_mol: float
    meq_per_mmol: float
    calcium_per_mmol: float


# IUPAC atomic weights
_MOLECULES = {
    "sodium-bicarbonate": _Molecule(84.007, 1.0, 0.0),
    "sodium-carbonate": _Molecule(105.988, 2.0, 0.0),
    "calcium-hydroxide": _Molecule(74.093, 2.0, 1.0),
    "calcium-chloride-dihydrate": _Molecule(147.015, 0.0, 1.0),
    "calcium-chloride": _Molecule(110.984, 0.0, 1.0),
}


@dataclass(frozen=True, slots=True)
class TwoPart:
    """A balanced pair of doses, as grams of dry substance.

    Attributes:
        bicarbonate_g: NaHCO3 for the whole alkalinity.
        carbonate_g: Na2CO3 instead of it: the same alkalinity, a higher pH.
        calcium_chloride_dihydrate_g: CaCl2·2H2O for the calcium that goes with it.
        calcium_mg_L: calcium it adds to the system, mg/l.
        salt_left_mg_L: NaCl that stays behind in the system, mg/l.
    """

    bicarbonate_g: float
    carbonate_g: float
    calcium_chloride_dihydrate_g: float
    calcium_mg_L: float  # noqa: N815 - units keep their case
    salt_left_mg_L: float  # noqa: N815


@dataclass(frozen=True, slots=True)
class DoseVerdict:
    """Whether a dose is safe.

    Attributes:
        allowed: the dose stays within both limits.
        largest_dkh: the largest dose that does.
        reason: what limits it, for people; empty when allowed.
    """

    allowed: bool
    largest_dkh: float
    reason: str = ""


def calcium_with_alkalinity_mg_L(alkalinity_dkh: float) -> float:
    """Return the calcium that calcification takes up, or a reactor adds, with alkalinity, in mg/l.

    Magnesium and strontium that go along take a few per cent of the calcium's place (from memory).

    Args:
        alkalinity_dkh: 0 to 168.

    Source: Ca²⁺ + 2 HCO3⁻ → CaCO3 + CO2 + H2O: 20.04 mg/l per meq/l, 7.147 mg/l per dKH.

    Raises:
        ValueError: outside that range.
    """
    return dkh_to_meq_L(alkalinity_dkh) / 2.0 * CALCIUM_G_MOL


def carbonate_mass_g(alkalinity_dkh: float, volume_l: float) -> float:
    """Return the calcium carbonate that holds so much alkalinity of the system, in g.

    What a reactor dissolves, or skeletons lay down.

    Args:
        alkalinity_dkh: 0 to 168.
        volume_l: of the system, above 0.

    Source: molar mass, 50.04 mg per meq.

    Raises:
        ValueError: outside those ranges.
    """
    above_zero("volume_l", volume_l, "l")
    return dkh_to_meq_L(alkalinity_dkh) * volume_l * _CACO3_G_MOL / 2000.0


def grams_for_alkalinity(substance: Substance, alkalinity_dkh: float, volume_l: float) -> float:
    """Return the dry substance that raises the system's alkalinity so far, in g.

    Args:
        substance: one that carries alkalinity.
        alkalinity_dkh: rise, 0 to 168; what is safe tells `guard_dose`.
        volume_l: of the system, above 0.

    Source: molar masses; NaHCO3 1, Na2CO3 and Ca(OH)2 2 meq per mmol.

    Raises:
        ValueError: outside those ranges, or no alkalinity in that substance.
    """
    molecule = _molecule(substance)
    if molecule.meq_per_mmol == 0.0:
        raise ValueError(f"substance = {substance!r} carries no alkalinity")
    meq = dkh_to_meq_L(alkalinity_dkh) * above_zero("volume_l", volume_l, "l")
    return meq / molecule.meq_per_mmol * molecule.g_mol / 1000.0


def grams_for_calcium(substance: Substance, calcium_mg_L: float, volume_l: float) -> float:
    """Return the dry substance that raises the system's calcium so far, in g.

    Args:
        substance: one that carries calcium.
        calcium_mg_L: rise, 0 to 1000.
        volume_l: of the system, above 0.

    Source: molar masses.

    Raises:
        ValueError: outside those ranges, or no calcium in that substance.
    """
    molecule = _molecule(substance)
    if molecule.calcium_per_mmol == 0.0:
        raise ValueError(f"substance = {substance!r} carries no calcium")
    in_range("calcium_mg_L", calcium_mg_L, 0.0, 1000.0, "mg/l")
    mmol = calcium_mg_L / CALCIUM_G_MOL * above_zero("volume_l", volume_l, "l")
    return mmol / molecule.calcium_per_mmol * molecule.g_mol / 1000.0


def alkalinity_from_grams_dkh(substance: Substance, grams: float, volume_l: float) -> float:
    """Return the rise in alkalinity that a dry substance gives the system, in dKH.

    Args:
        substance: any of `Substance`; 0 for the chlorides.
        grams: at least 0.
        volume_l: of the system, above 0.

    Source: inverse of `grams_for_alkalinity`.

    Raises:
        ValueError: outside those ranges.
    """
    molecule = _molecule(substance)
    mmol_l = not_negative("grams", grams, "g") * 1000.0 / molecule.g_mol
    mmol_l /= above_zero("volume_l", volume_l, "l")
    return mmol_l * molecule.meq_per_mmol * DKH_PER_MEQ_L


def calcium_from_grams_mg_L(substance: Substance, grams: float, volume_l: float) -> float:
    """Return the rise in calcium that a dry substance gives the system, in mg/l.

    Args:
        substance: any of `Substance`; 0 for the sodium salts.
        grams: at least 0.
        volume_l: of the system, above 0.

    Source: inverse of `grams_for_calcium`.

    Raises:
        ValueError: outside those ranges.
    """
    molecule = _molecule(substance)
    mmol_l = not_negative("grams", grams, "g") * 1000.0 / molecule.g_mol
    mmol_l /= above_zero("volume_l", volume_l, "l")
    return mmol_l * molecule.calcium_per_mmol * CALCIUM_G_MOL


def two_part_equivalent(alkalinity_dkh: float, volume_l: float) -> TwoPart:
    """Return the balanced two-part dose that does the same as a reactor, or replaces uptake.

    Args:
        alkalinity_dkh: 0 to 130; per day, if that is what you have.
        volume_l: of the system, above 0.

    Source: molar masses; each Ca with 2 HCO3⁻ leaves 2 NaCl.

    Raises:
        ValueError: outside those ranges.
    """
    calcium = calcium_with_alkalinity_mg_L(alkalinity_dkh)
    return TwoPart(
        bicarbonate_g=grams_for_alkalinity("sodium-bicarbonate", alkalinity_dkh, volume_l),
        carbonate_g=grams_for_alkalinity("sodium-carbonate", alkalinity_dkh, volume_l),
        calcium_chloride_dihydrate_g=grams_for_calcium(
            "calcium-chloride-dihydrate", calcium, volume_l
        ),
        calcium_mg_L=calcium,
        salt_left_mg_L=dkh_to_meq_L(alkalinity_dkh) * _SODIUM_CHLORIDE_G_MOL,
    )


def limewater_alkalinity_meq_L(saturation: float = 1.0) -> float:
    """Return the alkalinity of lime-water (calcium hydroxide), in meq/l.

    Args:
        saturation: 0 to 1; stale or weak lime-water is below 1.

    Source: solubility of Ca(OH)2 at 25 °C, 20.3 mmol/l (from memory).

    Raises:
        ValueError: outside that range.
    """
    return 2.0 * LIMEWATER_MMOL_L * in_range("saturation", saturation, 0.0, 1.0)


def limewater_dkh(limewater_l: float, volume_l: float, saturation: float = 1.0) -> float:
    """Return the rise in alkalinity that lime-water gives the system, in dKH.

    Args:
        limewater_l: litres added, at least 0.
        volume_l: of the system, above 0.
        saturation: 0 to 1.

    Source: `limewater_alkalinity_meq_L`.

    Raises:
        ValueError: outside those ranges.
    """
    meq = not_negative("limewater_l", limewater_l, "l") * limewater_alkalinity_meq_L(saturation)
    return meq / above_zero("volume_l", volume_l, "l") * DKH_PER_MEQ_L


def guard_dose(
    dose_dkh: float,
    system_dkh: float,
    added_last_day_dkh: float = 0.0,
    consumption_dkh_day: float = 0.0,
    max_rise_dkh_day: float = 1.0,
    ceiling_dkh: float = 10.5,
) -> DoseVerdict:
    """Return whether a dose of alkalinity is safe: too much is worse than too little.

    Args:
        dose_dkh: rise it would give the whole system, at least 0.
        system_dkh: alkalinity now, 0 to 30.
        added_last_day_dkh: by all doses and the reactor in the last 24 hours, at least 0.
        consumption_dkh_day: what the animals take up meanwhile, at least 0; 0 is the careful side.
        max_rise_dkh_day: most the alkalinity may rise in a day, above 0 to 3.
        ceiling_dkh: never above this, 1 to 30.

    Source: 0.5 dKH per day is normal and 1 the most: common practice, no source.

    Raises:
        ValueError: outside those ranges.
    """
    not_negative("dose_dkh", dose_dkh, "dKH")
    in_range("system_dkh", system_dkh, 0.0, 30.0, "dKH")
    not_negative("added_last_day_dkh", added_last_day_dkh, "dKH")
    not_negative("consumption_dkh_day", consumption_dkh_day, "dKH/day")
    above_zero("max_rise_dkh_day", max_rise_dkh_day, "dKH/day")
    in_range("max_rise_dkh_day", max_rise_dkh_day, 0.0, 3.0, "dKH/day")
    in_range("ceiling_dkh", ceiling_dkh, 1.0, 30.0, "dKH")
    by_rise = max_rise_dkh_day + consumption_dkh_day - added_last_day_dkh
    by_ceiling = ceiling_dkh - system_dkh
    largest = max(0.0, min(by_rise, by_ceiling))
    if dose_dkh <= largest:
        return DoseVerdict(allowed=True, largest_dkh=largest)
    if by_rise <= by_ceiling:
        why = f"it would rise more than {max_rise_dkh_day:g} dKH in a day"
    else:
        why = f"it would pass {ceiling_dkh:g} dKH"
    return DoseVerdict(
        allowed=False, largest_dkh=largest, reason=f"{why}; at most {largest:.2f} dKH now"
    )


def _molecule(substance: str) -> _Molecule:
    if substance not in _MOLECULES:
        raise ValueError(f"substance = {substance!r} is not one of {', '.join(_MOLECULES)}")
    return _MOLECULES[substance]
