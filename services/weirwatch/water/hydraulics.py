"""Where water goes: weirs, drain-back, siphons, pump and pipe, level, flow and turnover.

SI units throughout, except where a name says litres, hours or minutes. Nothing here calls a
library, so a simulator can call it in its inner loop: density and viscosity are arguments.
"""

from math import pi, sqrt

from weirwatch.water.friction import friction_factor
from weirwatch.water.ranges import above_zero, in_range, not_negative

STANDARD_GRAVITY_M_S2 = 9.80665  # CGPM 1901, exact by convention
FRANCIS_COEFFICIENT = 1.84  # m^0.5/s; USBR Water Measurement Manual, ch. 7
PVC_ROUGHNESS_M = 1.5e-6  # drawn tubing and plastic pipe; Moody 1944
SEA_WATER_VISCOSITY_M2_S = 9.4e-7  # kinematic, S 35 at 25 °C, ITTC 7.5-02-01-03 rounded
_HEAD_TO_CREST_MAX = 1.0 / 3.0  # USBR: higher heads leave the Francis experiments


def weir_flow_m3_s(
    head_m: float,
    crest_length_m: float,
    coefficient: float = FRANCIS_COEFFICIENT,
    end_contractions: int = 0,
) -> float:
    """Return the flow over a sharp-crested weir: c (L − 0.1 n H) H^1.5.

    The published range of the coefficient 1.84 begins at a head of 0.06 m. The thin heads over a
    vessel's overflow (8 to 15 mm) lie below it, where surface tension and teeth add head: fit the
    coefficient with `weir_coefficient`. A partly blocked weir is a smaller coefficient.

    Args:
        head_m: water above the crest, 0 to a third of the crest length.
        crest_length_m: above 0.
        coefficient: m^0.5/s, above 0 to 3.
        end_contractions: ends at which the sheet narrows: 0, 1 or 2.

    Source: Francis 1883, in USBR Water Measurement Manual ch. 7.

    Raises:
        ValueError: outside those ranges.
    """
    above_zero("crest_length_m", crest_length_m, "m")
    in_range("head_m", head_m, 0.0, crest_length_m * _HEAD_TO_CREST_MAX, "m")
    _check_coefficient(coefficient)
    in_range("end_contractions", end_contractions, 0, 2)
    return float(coefficient * (crest_length_m - 0.1 * end_contractions * head_m) * head_m**1.5)


def weir_head_m(
    flow_m3_s: float, crest_length_m: float, coefficient: float = FRANCIS_COEFFICIENT
) -> float:
    """Return the head over a weir without end contractions: (Q / (c L))^(2/3).

    Args:
        flow_m3_s: at least 0, and so small that the head stays within a third of the crest length.
        crest_length_m: above 0.
        coefficient: m^0.5/s, above 0 to 3; see `weir_flow_m3_s`.

    Source: Francis 1883, inverse of `weir_flow_m3_s`.

    Raises:
        ValueError: outside those ranges.
    """
    not_negative("flow_m3_s", flow_m3_s, "m³/s")
    above_zero("crest_length_m", crest_length_m, "m")
    _check_coefficient(coefficient)
    head_m = float((flow_m3_s / (coefficient * crest_length_m)) ** (2.0 / 3.0))
    highest = crest_length_m * _HEAD_TO_CREST_MAX
    if head_m > highest * (1 + 1e-12):
        most = coefficient * crest_length_m * highest**1.5
        raise ValueError(f"flow_m3_s = {flow_m3_s:g} m³/s is outside 0 to {most:g} m³/s")
    return head_m


def weir_coefficient(flow_m3_s: float, head_m: float, crest_length_m: float) -> float:
    """Return the coefficient c of Q = c L H^1.5 that one measured pair of flow and head gives.

    Args:
        flow_m3_s: measured, above 0.
        head_m: measured above the crest, above 0 to a third of the crest length.
        crest_length_m: above 0.

    Source: `weir_flow_m3_s`, solved for c.

    Raises:
        ValueError: outside those ranges.
    """
    above_zero("flow_m3_s", flow_m3_s, "m³/s")
    above_zero("head_m", head_m, "m")
    above_zero("crest_length_m", crest_length_m, "m")
    in_range("head_m", head_m, 0.0, crest_length_m * _HEAD_TO_CREST_MAX, "m")
    return float(flow_m3_s / (crest_length_m * head_m**1.5))


def drain_back_l(
    head_m: float, area_m2: float, siphon_depth_m: float = 0.0, pipe_l: float = 0.0
) -> float:
    """Return the litres that run to the sump when the return pump stops.

    The water above the crest, the water a siphon through the return outlet draws down, and what
    stands in the pipes above their siphon break.

    Args:
        head_m: running head over the crest, at least 0.
        area_m2: water surface of the vessel, above 0.
        siphon_depth_m: depth of the outlet below the crest while a siphon holds; 0 with a working
            siphon break.
        pipe_l: contents of pipes and loops that empty, at least 0.

    Source: volume balance.

    Raises:
        ValueError: outside those ranges.
    """
    not_negative("head_m", head_m, "m")
    above_zero("area_m2", area_m2, "m²")
    not_negative("siphon_depth_m", siphon_depth_m, "m")
    not_negative("pipe_l", pipe_l, "l")
    return (head_m + siphon_depth_m) * area_m2 * 1000.0 + pipe_l


def spare_margin_l(
    sump_rim_l: float, sump_working_l: float, drain_back_l: float, other_l: float = 0.0
) -> float:
    """Return the litres still free below the sump's rim after everything has drained back.

    Negative: the sump will overflow by so much.

    Args:
        sump_rim_l: contents of the sump up to its rim, above 0.
        sump_working_l: contents when running, 0 to the rim.
        drain_back_l: sum of `drain_back_l` over all vessels, at least 0.
        other_l: skimmer, reactor, UV and what else empties into the sump, at least 0.

    Source: volume balance.

    Raises:
        ValueError: outside those ranges.
    """
    above_zero("sump_rim_l", sump_rim_l, "l")
    in_range("sump_working_l", sump_working_l, 0.0, sump_rim_l, "l")
    not_negative("drain_back_l", drain_back_l, "l")
    not_negative("other_l", other_l, "l")
    return sump_rim_l - sump_working_l - drain_back_l - other_l


def orifice_flow_m3_s(head_m: float, area_m2: float, discharge_coefficient: float = 0.61) -> float:
    """Return the flow through an opening under a head: Cd a √(2 g h).

    Args:
        head_m: water above the centre of the opening, at least 0.
        area_m2: of the opening, above 0.
        discharge_coefficient: above 0 to 1; 0.61 sharp edge, 0.8 short tube.

    Source: Torricelli; coefficients in USBR Water Measurement Manual ch. 9.

    Raises:
        ValueError: outside those ranges.
    """
    not_negative("head_m", head_m, "m")
    above_zero("area_m2", area_m2, "m²")
    _check_discharge(discharge_coefficient)
    return discharge_coefficient * area_m2 * sqrt(2.0 * STANDARD_GRAVITY_M_S2 * head_m)


def siphon_drain_time_s(
    vessel_area_m2: float,
    opening_area_m2: float,
    head_start_m: float,
    head_end_m: float = 0.0,
    discharge_coefficient: float = 0.61,
) -> float:
    """Return the seconds in which a vessel drains through an opening from one head to another.

    t = 2 A / (Cd a √(2 g)) (√h1 − √h2)

    Args:
        vessel_area_m2: water surface, above 0.
        opening_area_m2: above 0 to the vessel's area.
        head_start_m: water above the opening's outlet at the start, at least 0.
        head_end_m: at the end, 0 to head_start_m.
        discharge_coefficient: above 0 to 1; 0.61 sharp edge, 0.8 short tube.

    Source: Torricelli, integrated for a vessel with straight walls.

    Raises:
        ValueError: outside those ranges.
    """
    above_zero("vessel_area_m2", vessel_area_m2, "m²")
    above_zero("opening_area_m2", opening_area_m2, "m²")
    in_range("opening_area_m2", opening_area_m2, 0.0, vessel_area_m2, "m²")
    not_negative("head_start_m", head_start_m, "m")
    in_range("head_end_m", head_end_m, 0.0, head_start_m, "m")
    _check_discharge(discharge_coefficient)
    per_root_head = discharge_coefficient * opening_area_m2 * sqrt(2.0 * STANDARD_GRAVITY_M_S2)
    return 2.0 * vessel_area_m2 / per_root_head * (sqrt(head_start_m) - sqrt(head_end_m))


def pump_head_m(flow_m3_s: float, shutoff_head_m: float, k: float) -> float:
    """Return the head of a centrifugal pump at a flow: H0 − k Q².

    Args:
        flow_m3_s: 0 to the flow at which the head is 0.
        shutoff_head_m: head at no flow, above 0.
        k: fall of the curve, m/(m³/s)², above 0; from one point with `pump_k`.

    Source: parabola through the maker's shut-off and design points.

    Raises:
        ValueError: outside those ranges.
    """
    above_zero("shutoff_head_m", shutoff_head_m, "m")
    above_zero("k", k, "m/(m³/s)²")
    in_range("flow_m3_s", flow_m3_s, 0.0, sqrt(shutoff_head_m / k) * (1 + 1e-12), "m³/s")
    return max(0.0, shutoff_head_m - k * flow_m3_s**2)


def pump_k(flow_m3_s: float, head_m: float, shutoff_head_m: float) -> float:
    """Return the k of `pump_head_m` for a pump that gives this flow at this head.

    Args:
        flow_m3_s: above 0.
        head_m: 0 to below the shut-off head.
        shutoff_head_m: above 0.

    Source: `pump_head_m`, solved for k.

    Raises:
        ValueError: outside those ranges.
    """
    above_zero("flow_m3_s", flow_m3_s, "m³/s")
    above_zero("shutoff_head_m", shutoff_head_m, "m")
    in_range("head_m", head_m, 0.0, shutoff_head_m, "m")
    return above_zero("shutoff_head_m − head_m", shutoff_head_m - head_m, "m") / flow_m3_s**2


def pipe_head_loss_m(
    flow_m3_s: float,
    diameter_m: float,
    length_m: float,
    minor_k: float = 0.0,
    roughness_m: float = PVC_ROUGHNESS_M,
    viscosity_m2_s: float = SEA_WATER_VISCOSITY_M2_S,
) -> float:
    """Return the head lost in a pipe and its fittings: (f L/D + ΣK) v²/2g.

    Args:
        flow_m3_s: at least 0.
        diameter_m: inside, above 0.
        length_m: at least 0.
        minor_k: sum of the loss coefficients of bends, valves, inlet and outlet, at least 0.
        roughness_m: 0 to 5 % of the diameter; PVC by default.
        viscosity_m2_s: kinematic, above 0; sea water of S 35 at 25 °C by default.

    Source: Darcy-Weisbach with `friction_factor`.

    Raises:
        ValueError: outside those ranges.
    """
    not_negative("flow_m3_s", flow_m3_s, "m³/s")
    above_zero("diameter_m", diameter_m, "m")
    not_negative("length_m", length_m, "m")
    not_negative("minor_k", minor_k)
    above_zero("viscosity_m2_s", viscosity_m2_s, "m²/s")
    in_range("roughness_m", roughness_m, 0.0, 0.05 * diameter_m, "m")
    if flow_m3_s == 0.0:
        return 0.0
    speed = flow_m3_s / (0.25 * pi * diameter_m**2)
    f = friction_factor(speed * diameter_m / viscosity_m2_s, roughness_m / diameter_m)
    return (f * length_m / diameter_m + minor_k) * speed**2 / (2.0 * STANDARD_GRAVITY_M_S2)


def operating_point_m3_s(
    shutoff_head_m: float,
    k: float,
    static_head_m: float,
    diameter_m: float,
    length_m: float,
    minor_k: float = 0.0,
    roughness_m: float = PVC_ROUGHNESS_M,
    viscosity_m2_s: float = SEA_WATER_VISCOSITY_M2_S,
) -> float:
    """Return the flow at which the pump's head equals lift plus pipe loss; 0 if it cannot lift.

    Args:
        shutoff_head_m: head at no flow, above 0.
        k: fall of the pump curve, m/(m³/s)², above 0.
        static_head_m: lift between the water surfaces, at least 0.
        diameter_m: inside, above 0.
        length_m: at least 0.
        minor_k: sum of loss coefficients, at least 0.
        roughness_m: 0 to 5 % of the diameter.
        viscosity_m2_s: kinematic, above 0.

    Source: `pump_head_m` and `pipe_head_loss_m`, iterated to 1e-12 of the flow.

    Raises:
        ValueError: outside those ranges.
    """
    above_zero("shutoff_head_m", shutoff_head_m, "m")
    above_zero("k", k, "m/(m³/s)²")
    not_negative("static_head_m", static_head_m, "m")
    lift = max(0.0, shutoff_head_m - static_head_m)
    flow, before = sqrt(lift / k), -1.0
    # The loss is nearly quadratic, so each round at the last flow's k wins a digit or more.
    for _ in range(200):
        loss = pipe_head_loss_m(flow, diameter_m, length_m, minor_k, roughness_m, viscosity_m2_s)
        if flow == 0.0 or abs(flow - before) <= 1e-12 * flow:
            break
        flow, before = sqrt(lift / (k + loss / flow**2)), flow
    return flow


def quadratic_operating_point_m3_s(
    shutoff_head_m: float, k: float, static_head_m: float, system_k: float
) -> float:
    """Return the flow of a pump against lift and a loss of system_k Q²; 0 if it cannot lift.

    The quick form of `operating_point_m3_s` for a known loss at a known flow.

    Args:
        shutoff_head_m: head at no flow, above 0.
        k: fall of the pump curve, m/(m³/s)², above 0.
        static_head_m: lift between the water surfaces, at least 0.
        system_k: loss of pipes, fittings and valves, m/(m³/s)², at least 0.

    Source: H0 − k Q² = z + k_system Q², solved for Q.

    Raises:
        ValueError: outside those ranges.
    """
    above_zero("shutoff_head_m", shutoff_head_m, "m")
    above_zero("k", k, "m/(m³/s)²")
    not_negative("static_head_m", static_head_m, "m")
    not_negative("system_k", system_k, "m/(m³/s)²")
    return sqrt(max(0.0, shutoff_head_m - static_head_m) / (k + system_k))


def level_m_from_pressure(pressure_pa: float, density_kg_m3: float) -> float:
    """Return the water above a pressure probe: p / (ρ g).

    Args:
        pressure_pa: gauge pressure, −1000 to 200 000; a small negative one is the probe's offset.
        density_kg_m3: of this water, 990 to 1060. Fresh-water density reads 2.6 % high at S 35.

    Source: hydrostatics, standard gravity (local gravity differs by at most 0.3 %).

    Raises:
        ValueError: outside those ranges.
    """
    in_range("pressure_pa", pressure_pa, -1000.0, 200_000.0, "Pa")
    in_range("density_kg_m3", density_kg_m3, 990.0, 1060.0, "kg/m³")
    return pressure_pa / (density_kg_m3 * STANDARD_GRAVITY_M_S2)


def flow_l_min_from_pulses(frequency_hz: float, pulses_per_l: float) -> float:
    """Return the flow that a turbine meter's pulses mean: 60 f / K.

    Args:
        frequency_hz: pulses per second, at least 0.
        pulses_per_l: the meter's K-factor, above 0.

    Source: definition of the K-factor.

    Raises:
        ValueError: outside those ranges.
    """
    not_negative("frequency_hz", frequency_hz, "Hz")
    above_zero("pulses_per_l", pulses_per_l, "1/l")
    return 60.0 * frequency_hz / pulses_per_l


def turnover_per_h(flow_l_h: float, volume_l: float) -> float:
    """Return how often per hour the flow would replace the volume.

    Args:
        flow_l_h: at least 0.
        volume_l: above 0.

    Source: definition, Q / V.

    Raises:
        ValueError: outside those ranges.
    """
    return not_negative("flow_l_h", flow_l_h, "l/h") / above_zero("volume_l", volume_l, "l")


def _check_coefficient(coefficient: float) -> None:
    above_zero("coefficient", coefficient, "m^0.5/s")
    in_range("coefficient", coefficient, 0.0, 3.0, "m^0.5/s")


def _check_discharge(discharge_coefficient: float) -> None:
    above_zero("discharge_coefficient", discharge_coefficient)
    in_range("discharge_coefficient", discharge_coefficient, 0.0, 1.0)
