"""The calcium reactor: gas into a chamber of media, and its effluent into the system."""

from weirsim.air import Air
from weirsim.gear import ReactorSpec
from weirsim.ledger import Ledger
from weirsim.sea import Sea, sea
from weirsim.upset import Upset
from weirsim.vessels import Water

_CO2_G_MOL = 44.01
_ML_MIN = 1e-6 / 60.0  # millilitres per minute in m³/s
_ATMOSPHERE = 1.0  # gas that has no room at this pressure bubbles out into the room
_ACID_START = 3e-7


class Reactor:
    """A chamber of calcium carbonate through which a part of a side loop flows.

    CO2 + H2O + CaCO3 → Ca²⁺ + 2 HCO3⁻, at the rate k (1 − Ω); gas dissolves until its pressure in
    the water is that of the air, and what is more bubbles out into the room.

    Args:
        spec: how it is set.
        source: the water that flows in and takes the effluent, at rest.
        salinity: of that water.
        degc: of that water.
        ledger, air: what it writes into, and where its gas escapes.

    Attributes:
        water: in the chamber.
        effluent_ml_min: now.
        h: hydrogen ion in the chamber, mol/kg, total scale.
        bottle_mol: gas left.
    """

    def __init__(
        self,
        spec: ReactorSpec,
        source: Water,
        salinity: float,
        degc: float,
        ledger: Ledger,
        air: Air,
    ) -> None:
        self.spec = spec
        self._ledger = ledger
        self._air = air
        self._state = (salinity, degc)
        self.sea: Sea = sea(salinity, degc)
        self.h = _ACID_START
        self.effluent_ml_min = spec.effluent_ml_min
        self.bottle_mol = self.full_bottle_mol
        self.water = self._at_rest(source)

    @property
    def ph_nbs(self) -> float:
        """What a pH probe in the chamber should read."""
        return self.sea.ph_nbs(self.h)

    @property
    def full_bottle_mol(self) -> float:
        """The gas in a full bottle."""
        return 1000.0 * self.spec.bottle_kg / _CO2_G_MOL

    def step(
        self, upset: Upset, share: float, source: Water, salinity: float, degc: float, dt_s: float
    ) -> None:
        """Run for a while.

        Args:
            upset: what is wrong.
            share: of the loop's design flow that arrives.
            source: the water that flows in and takes the effluent.
            salinity: of that water.
            degc: of that water.
            dt_s: above 0.
        """
        if abs(salinity - self._state[0]) > 0.05 or abs(degc - self._state[1]) > 0.05:
            self._state = (salinity, degc)
            self.sea = sea(salinity, degc)
        self.effluent_ml_min = self.spec.effluent_ml_min * share * upset.effluent_share
        moved = min(self.effluent_ml_min * _ML_MIN * dt_s, 0.5 * self.water.volume_m3)
        self.water.give(moved, source)
        source.give(moved, self.water)
        hours = dt_s / 3600.0
        self._let_gas_in(upset, hours)
        self._dissolve(hours)

    def _let_gas_in(self, upset: Upset, hours: float) -> None:
        set_mol_h = self.spec.gas_mmol_h / 1000.0 if upset.powered else 0.0  # its valve needs power
        gas = min((set_mol_h + upset.gas_mol_h) * hours, self.bottle_mol)
        self.bottle_mol -= gas
        self._ledger.gas_mol += gas
        self._ledger.bring(self.water, carbon_mol=gas)

    def _dissolve(self, hours: float) -> None:
        water, constants = self.water, self.sea
        volume = water.volume_m3
        carbon = water.carbon_mol / volume
        self.h = constants.hydrogen(water.alkalinity_mol / volume, carbon, self.h)
        most = constants.k0 * constants.kg_m3 * _ATMOSPHERE
        escapes = (constants.dissolved_co2(self.h, carbon) - most) * volume
        if escapes > 0.0:
            self._air.vented_mol += escapes
            self._ledger.vented_mol += escapes
            self._ledger.bring(water, carbon_mol=-escapes)
        under = 1.0 - constants.saturation(self.h, carbon, water.calcium_mol / volume)
        if under > 0.0:
            gone = self.spec.dissolving_mol_h * under * hours
            self._ledger.dissolved_mol += gone
            self._ledger.bring(water, 0.0, 2.0 * gone, gone, gone)

    def _at_rest(self, source: Water) -> Water:
        """Return the chamber's water after days of the same: inflow + gas + media = outflow."""
        spec = self.spec
        water = Water(spec.chamber_l / 1000.0)
        share = water.volume_m3 / source.volume_m3
        water.salt_kg, water.heat_j = source.salt_kg * share, source.heat_j * share
        alkalinity = source.alkalinity_mol / source.volume_m3
        calcium = source.calcium_mol / source.volume_m3
        through_m3_h = spec.effluent_ml_min * _ML_MIN * 3600.0
        carbon = source.carbon_mol / source.volume_m3
        carbon += spec.gas_mmol_h / 1000.0 / through_m3_h
        low, high = 0.0, 30.0  # mol/m³ of carbonate dissolved on the way through
        for _ in range(50):
            x = 0.5 * (low + high)
            self.h = self.sea.hydrogen(alkalinity + 2.0 * x, carbon + x, self.h)
            under = 1.0 - self.sea.saturation(self.h, carbon + x, calcium + x)
            if through_m3_h * x < spec.dissolving_mol_h * under:
                low = x
            else:
                high = x
        volume = water.volume_m3
        water.alkalinity_mol = (alkalinity + 2.0 * x) * volume
        water.carbon_mol = (carbon + x) * volume
        water.calcium_mol = (calcium + x) * volume
        water.oxygen_g = 2.0 * volume  # bacteria on the media leave little
        return water
