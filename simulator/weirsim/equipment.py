"""Things with a switch: thermostats, the top-off's float, the lights' clock, the node's battery."""

from dataclasses import dataclass

from weirsim.gear import ChillerSpec
from weirsim.plant import DaySpec, HeaterSpec, PowerSpec, TopOffSpec

_DAY_S = 86_400.0


@dataclass(slots=True)
class Heater:
    """A heater and its own thermostat."""

    spec: HeaterSpec
    on: bool = False

    def power_w(self, water_degc: float, stuck_on: bool, failed: bool) -> float:
        """Return its heat now and remember the thermostat's contact."""
        half = 0.5 * self.spec.hysteresis_k
        if water_degc < self.spec.set_degc - half:
            self.on = True
        elif water_degc > self.spec.set_degc + half:
            self.on = False
        return self.spec.power_w if (self.on or stuck_on) and not failed else 0.0


@dataclass(slots=True)
class Chiller:
    """A chiller and its own thermostat."""

    spec: ChillerSpec
    on: bool = False

    def cooling_w(self, water_degc: float, works: bool) -> float:
        """Return the heat it takes out now and remember the thermostat's contact."""
        half = 0.5 * self.spec.hysteresis_k
        if water_degc > self.spec.set_degc + half:
            self.on = True
        elif water_degc < self.spec.set_degc - half:
            self.on = False
        return self.spec.cooling_w if self.on and works else 0.0


@dataclass(slots=True)
class TopOff:
    """A float switch with travel, and the pump it runs."""

    spec: TopOffSpec
    running: bool = False

    def flow_m3_s(self, level_mm: float, stuck: bool | None, powered: bool) -> float:
        """Return the pump's flow now; with an empty reservoir it still runs, on air."""
        half = 0.5 * self.spec.hysteresis_mm
        if not powered:
            self.running = False
        elif stuck is not None:
            self.running = stuck
        elif level_mm < self.spec.set_level_mm - half:
            self.running = True
        elif level_mm > self.spec.set_level_mm + half:
            self.running = False
        return self.spec.rate_l_h / 3_600_000.0 if self.running else 0.0


@dataclass(slots=True)
class Battery:
    """The power node's battery: a straight line from full to empty.

    Attributes:
        charge: 0 to 1.
    """

    spec: PowerSpec
    charge: float = 1.0
    charging: bool = True

    def step(self, mains: bool, dt_s: float) -> None:
        """Charge or discharge for a while."""
        self.charging = mains
        hours = self.spec.recharge_h if mains else -self.spec.battery_h
        self.charge = min(1.0, max(0.0, self.charge + dt_s / 3600.0 / hours))

    @property
    def voltage_v(self) -> float:
        """Terminal voltage of a 12 V lead battery (common practice, no source)."""
        return 12.6 + 1.0 * self.charge if self.charging else 11.6 + 1.2 * self.charge


def lights_on(day: DaySpec, local_s: float) -> bool:
    """Return whether the clock has the lights on."""
    return day.lights_on_h * 3600.0 <= local_s < day.lights_off_h * 3600.0


def local_seconds(day: DaySpec, time_us: int) -> float:
    """Return the seconds since the plant's local midnight."""
    return (time_us / 1e6 + day.utc_offset_h * 3600.0) % _DAY_S
