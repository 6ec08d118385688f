"""Living water, vessel by vessel: breath and light, gas exchange, skeletons, ammonia's way.

Stepped more slowly than the water moves, since nothing here is fast: oxygen by the exact solution
for constant conditions, everything else by small explicit steps. What a step changes is written
into the ledger at once.
"""

from math import expm1, pi, sin

from weirsim.air import Air
from weirsim.circuit import L_H
from weirsim.ledger import Ledger
from weirsim.plant import PlantSpec
from weirsim.sea import sea
from weirsim.upset import Upset
from weirsim.vessels import Vessel, Water
from weirsim.waterworks import SALT_KG_M3, Waterworks
from weirwatch.water.carbonate import CALCIUM_G_MOL, DKH_PER_MEQ_L
from weirwatch.water.heat import sea_vapour_pressure_pa
from weirwatch.water.oxygen import ATMOSPHERE_PA, OXYGEN_G_MOL, schmidt_number

NITROGEN_G_MOL = 14.007
_LIVING_DEGC = 25.0  # the temperature that the stocking is stated for
_SAME_DEGC, _SAME_SALINITY = 0.01, 0.005  # nearer than this the constants are kept
_EMPTY_M3 = 1e-4
_SEALED_H = 1e-9
_MOST_FIXED = 0.5  # share of the carbon in a water that light may take within a step


class Habitat:
    """One vessel as something lives in it.

    Attributes:
        vessel: its water.
        living: uptake per litre as a share of the stocking's.
        lit: whether plants and corals in it use the lights.
        builds: whether skeletons grow in it.
        sea: its constants, a few minutes old at most.
        h: hydrogen ion, mol/kg, total scale, as last looked at.
        co2: in solution, mol/m³.
    """

    __slots__ = ("_degc", "_salinity", "builds", "co2", "h", "lit", "living", "sea", "vessel")

    def __init__(self, vessel: Vessel, living: float, lit: bool, builds: bool) -> None:
        self.vessel = vessel
        self.living = living
        self.lit = lit
        self.builds = builds
        self._degc = self._salinity = -99.0
        self.sea = sea(35.0, _LIVING_DEGC)
        self.h = 1e-8
        self.co2 = 0.0

    @property
    def ph_nbs(self) -> float:
        """What a pH probe in it should read."""
        return self.sea.ph_nbs(self.h)

    @property
    def unionised_mg_l(self) -> float:
        """Un-ionised ammonia, as mg/L of NH3."""
        vessel = self.vessel
        if vessel.volume_m3 < _EMPTY_M3:
            return 0.0
        return vessel.ammonia_mol / vessel.volume_m3 * 17.031 * self.sea.unionised(self.h)

    def look(self, heat_j_m3_k: float) -> float:
        """Bring constants and pH up to the water as it is; return its temperature."""
        water = self.vessel
        degc = water.heat_j / (heat_j_m3_k * water.volume_m3)
        salinity = water.salt_kg / (SALT_KG_M3 * water.volume_m3)
        if abs(degc - self._degc) > _SAME_DEGC or abs(salinity - self._salinity) > _SAME_SALINITY:
            self._degc, self._salinity = degc, salinity
            self.sea = sea(salinity, degc)
        carbon = water.carbon_mol / water.volume_m3
        self.h = self.sea.hydrogen(water.alkalinity_mol / water.volume_m3, carbon, self.h)
        self.co2 = self.sea.dissolved_co2(self.h, carbon)
        return degc


class Life:
    """What lives in one plant, and the gases it needs and gives.

    Args:
        spec: the plant.
        works: its water, which gets its start of alkalinity, carbon, calcium and oxygen here.
        air: the room's.
        ledger: where what comes in and goes out is written.
        local_s: local time of the start: water differs by day and night.

    Attributes:
        habitats: by vessel id, the reservoir excepted.
    """

    def __init__(
        self, spec: PlantSpec, works: Waterworks, air: Air, ledger: Ledger, local_s: float
    ) -> None:
        self._stocking = spec.stocking
        self._mixture = spec.mixture
        self._works = works
        self._air = air
        self._ledger = ledger
        self._heat = works.heat_j_m3_k
        self._skimmed_l_h = spec.power.skimmer_l_h
        self._circulates = spec.power.circulation_w > 0.0
        self._dry = 1.0 - sea_vapour_pressure_pa(spec.salinity, spec.warm_degc) / ATMOSPHERE_PA
        ratio = schmidt_number("oxygen", 25.0) / schmidt_number("carbon-dioxide", 25.0)
        self._co2_slower = ratio**0.5  # a free surface; common form, Wanninkhof 2014
        living = {"display": 1.0, "refuge": 1.0, "sump": spec.stocking.sump_share}
        self.habitats = {
            vessel_id: Habitat(
                vessel,
                living[vessel.spec.role],
                lit=vessel.spec.role != "sump",
                builds=vessel.spec.role == "display",
            )
            for vessel_id, vessel in works.vessels.items()
            if vessel.spec.role != "reservoir"
        }
        self._sump = self.habitats[spec.sump.id]
        self._display = self.habitats[spec.displays[0].id]
        aeration_h = self._aeration_h()
        self._uptake = min(
            spec.stocking.uptake_mg_l_h, spec.stocking.most_deficit_mg_l * aeration_h
        )
        lit = spec.day.lights_on_h * 3600.0 <= local_s < spec.day.lights_off_h * 3600.0
        gain = self._uptake * (spec.stocking.daylight * lit - 1.0) / aeration_h
        self._fill(spec, gain, local_s)
        self._built_mol_m3_h = self._building(spec)
        self._omega = self._usual_saturation(spec)

    def step(self, upset: Upset, lights: bool, skims: bool, dt_s: float) -> None:
        """Live for a while."""
        hours = dt_s / 3600.0
        stocking = self._stocking
        stir = upset.circulation_share if upset.mains and self._circulates else 0.0
        surface_m_h = stocking.still_cm_h + stir * (stocking.stirred_cm_h - stocking.still_cm_h)
        surface_m_h /= 100.0
        air_atm = self._air.co2_ppm * 1e-6 * self._dry
        for habitat in self.habitats.values():
            if habitat.vessel.volume_m3 < _EMPTY_M3:
                continue
            degc = habitat.look(self._heat)
            warm = stocking.q10 ** ((degc - _LIVING_DEGC) / 10.0)
            through_h = 0.0
            if skims and habitat is self._sump:
                through_h = self._skimmed_l_h / 1000.0 / habitat.vessel.volume_m3
            lit = lights and habitat.lit
            self._breathe(habitat, upset, warm, lit, surface_m_h, through_h, hours)
            self._exchange_co2(habitat, air_atm, surface_m_h, through_h, hours)
            if habitat.builds:
                self._build(habitat, warm, lights, hours)
        self._fall(air_atm)
        if upset.decay_g_h > 0.0:
            self._decay(upset.decay_g_h * hours)

    def _breathe(
        self,
        habitat: Habitat,
        upset: Upset,
        warm: float,
        lit: bool,
        surface_m_h: float,
        through_h: float,
        hours: float,
    ) -> None:
        """Oxygen in and out, and what goes along: carbon, and ammonia to and from the water."""
        stocking, water = self._stocking, habitat.vessel
        volume = water.volume_m3
        oxygen = water.oxygen_g / volume
        limit = oxygen / (oxygen + stocking.half_mg_l)
        uptake = self._uptake * habitat.living * warm
        breath = (uptake + upset.bloom_mg_l_h) * limit
        light = stocking.daylight * uptake if lit else 0.0
        carbon_left = water.carbon_mol / volume * OXYGEN_G_MOL
        light = min(light, breath + _MOST_FIXED * carbon_left / hours)
        nitrogen = water.ammonia_mol / volume * NITROGEN_G_MOL
        nitrified = stocking.nitrified_mg_l_h * warm * limit * nitrogen
        nitrified /= nitrogen + stocking.nitrify_half_mg_l
        burnt = nitrified / NITROGEN_G_MOL * 2.0 * OXYGEN_G_MOL  # NH4+ + 2 O2 → NO3-
        rate_h = surface_m_h * water.area_m2 / volume + stocking.skimmer_share * through_h
        change = rate_h * (habitat.sea.oxygen_mg_l - oxygen) + light - breath - burnt
        change *= -expm1(-rate_h * hours) / rate_h if rate_h > _SEALED_H else hours
        change = max(change, -oxygen) * volume
        carbon = (breath - light) / OXYGEN_G_MOL * hours * volume
        excreted = stocking.excreted * uptake * limit / OXYGEN_G_MOL
        ammonia = (excreted - nitrified / NITROGEN_G_MOL) * hours * volume
        ammonia = max(ammonia, -water.ammonia_mol)
        charge = (excreted - 2.0 * nitrified / NITROGEN_G_MOL) * hours * volume
        self._ledger.bring(water, change, charge, carbon, 0.0, ammonia)

    def _exchange_co2(
        self, habitat: Habitat, air_atm: float, surface_m_h: float, through_h: float, hours: float
    ) -> None:
        water = habitat.vessel
        rest = habitat.sea.k0 * air_atm * habitat.sea.kg_m3
        through_m3_h = surface_m_h * self._co2_slower * water.area_m2
        through_m3_h += self._stocking.skimmer_co2_share * through_h * water.volume_m3
        self._ledger.bring(water, carbon_mol=through_m3_h * (rest - habitat.co2) * hours)

    def _build(self, habitat: Habitat, warm: float, lights: bool, hours: float) -> None:
        """Ca²⁺ + 2 HCO3⁻ → CaCO3 + CO2 + H2O, in proportion to Ω − 1."""
        share = (self._saturation(habitat) - 1.0) / (self._omega - 1.0)
        if share <= 0.0:
            return
        water = habitat.vessel
        rate = self._built_mol_m3_h * (self._stocking.light_enhancement if lights else 1.0)
        built = rate * warm * share * water.volume_m3 * hours
        self._ledger.built_mol += built
        self._ledger.bring(water, 0.0, -2.0 * built, -built, -built)

    def _fall(self, air_atm: float) -> None:
        """Give the sump what the water took up and gave off as it fell over the weirs."""
        stocking, sump = self._stocking, self._sump.vessel
        for habitat in self.habitats.values():
            vessel = habitat.vessel
            fallen, vessel.spilled_m3 = vessel.spilled_m3, 0.0
            if fallen <= 0.0 or vessel.volume_m3 < _EMPTY_M3:
                continue
            constants = habitat.sea
            oxygen = constants.oxygen_mg_l - vessel.oxygen_g / vessel.volume_m3
            co2 = constants.k0 * air_atm * constants.kg_m3 - habitat.co2
            carbon = stocking.weir_co2_share * fallen * co2
            self._ledger.bring(sump, stocking.weir_share * fallen * oxygen, 0.0, carbon)

    def _decay(self, nitrogen_g: float) -> None:
        water = self._display.vessel
        nitrogen = nitrogen_g / NITROGEN_G_MOL
        oxygen = min(self._stocking.decay_oxygen * nitrogen_g, water.oxygen_g)
        self._ledger.bring(water, -oxygen, nitrogen, oxygen / OXYGEN_G_MOL, 0.0, nitrogen)

    def _saturation(self, habitat: Habitat) -> float:
        water = habitat.vessel
        volume = water.volume_m3
        return habitat.sea.saturation(
            habitat.h, water.carbon_mol / volume, water.calcium_mol / volume
        )

    def _usual_saturation(self, spec: PlantSpec) -> float:
        mixture, constants = spec.mixture, sea(spec.salinity, spec.warm_degc)
        h = constants.hydrogen_at(mixture.ph_nbs)
        carbon = constants.carbon_at(mixture.alkalinity_dkh / DKH_PER_MEQ_L, h)
        return constants.saturation(h, carbon, mixture.calcium_mg_l / CALCIUM_G_MOL)

    def _aeration_h(self) -> float:
        """How fast all the water evens out its oxygen with everything running, by its uptake."""
        stocking, circuit = self._stocking, self._works.circuit
        stir = stocking.stirred_cm_h if self._circulates else stocking.still_cm_h
        area = sum(habitat.vessel.area_m2 for habitat in self.habitats.values())
        falling = sum(branch.flow_m3_s for branch in circuit.displays)
        taken = stir / 100.0 * area + stocking.weir_share * falling * 3600.0
        taken += stocking.skimmer_share * self._skimmed_l_h * L_H * 3600.0
        living = sum(h.vessel.volume_m3 * h.living for h in self.habitats.values())
        return taken / living

    def _building(self, spec: PlantSpec) -> float:
        """Calcification in the dark, mol CaCO3 per m³ of display and hour."""
        stocking = spec.stocking
        lit = (spec.day.lights_off_h - spec.day.lights_on_h) / 24.0
        mean = stocking.light_enhancement * lit + 1.0 - lit
        habitats = self.habitats.values()
        share = sum(h.vessel.volume_m3 for h in habitats) / sum(
            h.vessel.volume_m3 for h in habitats if h.builds
        )
        per_day = stocking.calcification_dkh_day / DKH_PER_MEQ_L / 2.0
        return per_day * share / 24.0 / mean

    def _fill(self, spec: PlantSpec, gain_mg_l: float, local_s: float) -> None:
        mixture, day = spec.mixture, spec.day
        noon_h = 0.5 * (day.lights_on_h + day.lights_off_h)
        ph = mixture.ph_nbs + mixture.ph_swing * sin(2.0 * pi * (local_s / 3600.0 - noon_h) / 24.0)
        for habitat in self.habitats.values():
            self.make_up(habitat.vessel, ph, gain_mg_l)
            habitat.look(self._heat)
        self.make_up(self._works.riser, ph, gain_mg_l)

    def make_up(self, water: Water, ph_nbs: float | None = None, gain_mg_l: float = 0.0) -> None:
        """Make water up to the plant's mixture; its volume, salt and heat are there already."""
        volume = water.volume_m3
        if volume <= 0.0:
            return
        mixture = self._mixture
        degc = water.heat_j / (self._heat * volume)
        constants = sea(water.salt_kg / (SALT_KG_M3 * volume), degc)
        alkalinity = mixture.alkalinity_dkh / DKH_PER_MEQ_L
        h = constants.hydrogen_at(mixture.ph_nbs if ph_nbs is None else ph_nbs)
        water.alkalinity_mol = alkalinity * volume
        water.carbon_mol = constants.carbon_at(alkalinity, h) * volume
        water.calcium_mol = mixture.calcium_mg_l / CALCIUM_G_MOL * volume
        water.oxygen_g = (constants.oxygen_mg_l + gain_mg_l) * volume
