"""The pH electrode: from millivolts to pH, calibration, acceptance and ageing.

A value of pH means nothing without its scale. A probe calibrated in the usual buffers reads on the
NBS scale; sea-water chemistry is on the total scale, about 0.14 lower at S 35. Nothing here mixes
them: the calibration carries its scale, and `weirwatch.water.carbonate.convert_ph` converts.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from math import inf, log
from typing import Literal

from weirwatch.water.fits import straight_line
from weirwatch.water.ranges import in_range, not_negative, rising

Scale = Literal["nbs", "total", "free"]
Verdict = Literal["accept", "warn", "reject"]

PH_ISOPOTENTIAL = 7.0  # where a common combination electrode gives 0 mV at any temperature
_GAS_J_MOL_K = 8.31446261815324  # CODATA 2018, exact
_FARADAY_C_MOL = 96_485.33212331  # CODATA 2018, exact
_ZERO_K = 273.15
_MV = 1000.0  # beyond it the input is broken, not acid

# pH at 0, 5, … 40 °C. Primary standards (phosphate 1:1, borax, carbonate): NBS/NIST values as in
# DIN 19266, Bates 1962, J. Res. NBS 66A:179 (three decimals from memory). Technical buffers differ
# between makers by 0.01: the bottle's own table goes before this one.
BUFFERS: dict[str, tuple[float, ...]] = {
    "phosphate": (6.984, 6.951, 6.923, 6.900, 6.881, 6.865, 6.853, 6.844, 6.838),
    "borax": (9.464, 9.395, 9.332, 9.276, 9.225, 9.180, 9.139, 9.102, 9.068),
    "carbonate": (10.317, 10.245, 10.179, 10.118, 10.062, 10.012, 9.966, 9.925, 9.889),
    "technical-4": (4.00, 4.00, 4.00, 4.00, 4.00, 4.01, 4.01, 4.02, 4.03),
    "technical-7": (7.12, 7.09, 7.06, 7.04, 7.02, 7.00, 6.99, 6.99, 6.98),
    "technical-10": (10.32, 10.25, 10.18, 10.12, 10.06, 10.01, 9.97, 9.93, 9.89),
}


@dataclass(frozen=True, slots=True)
class Calibration:
    """What a calibration found.

    Attributes:
        slope_percent: of the Nernst slope; 100 is perfect.
        offset_mV: voltage at pH 7.
        scale: of the buffers used, and so of every pH that comes out.
        residual_mV: root mean square distance of the points from the line; 0 with two points.
    """

    slope_percent: float
    offset_mV: float  # noqa: N815 - units keep their case
    scale: Scale = "nbs"
    residual_mV: float = 0.0  # noqa: N815


PERFECT = Calibration(100.0, 0.0)


@dataclass(frozen=True, slots=True)
class Acceptance:
    """The verdict on a calibration, with a sentence for each thing that is not good."""

    verdict: Verdict
    reasons: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Ageing:
    """How a probe's slope falls from calibration to calibration.

    Attributes:
        percent_per_month: change of the slope in 30.4 days; negative: it falls.
        standard_error: of that, same unit.
        days_left: from the last calibration until the slope is at the limit; infinite if it does
            not fall.
    """

    percent_per_month: float
    standard_error: float
    days_left: float


def nernst_slope_mV(t_degC: float) -> float:
    """Return the voltage of a perfect electrode per unit of pH: ln 10 R T / F, in mV.

    Args:
        t_degC: −5 to 100.

    Source: Nernst equation, CODATA 2018 constants.

    Raises:
        ValueError: outside that range.
    """
    in_range("t_degC", t_degC, -5.0, 100.0, "°C")
    return log(10.0) * _GAS_J_MOL_K * (t_degC + _ZERO_K) / _FARADAY_C_MOL * 1000.0


def buffer_ph(buffer: str, t_degC: float) -> float:
    """Return the pH (NBS scale) of a calibration buffer at its own temperature.

    Args:
        buffer: phthalate, or a name in `BUFFERS`.
        t_degC: of the buffer, 0 to 40.

    Source: see `BUFFERS`, straight lines between the rows; `phthalate_ph`.

    Raises:
        ValueError: outside that range, or an unknown buffer.
    """
    if buffer == "phthalate":
        return phthalate_ph(in_range("t_degC", t_degC, 0.0, 40.0, "°C"))
    if buffer not in BUFFERS:
        names = ", ".join(["phthalate", *BUFFERS])
        raise ValueError(f"buffer = {buffer!r} is not one of {names}")
    row = in_range("t_degC", t_degC, 0.0, 40.0, "°C") / 5.0
    table = BUFFERS[buffer]
    below = min(int(row), len(table) - 2)
    return table[below] + (table[below + 1] - table[below]) * (row - below)


def phthalate_ph(t_degC: float) -> float:
    """Return the pH (NBS scale) of 0.05 mol/kg potassium hydrogen phthalate.

    Args:
        t_degC: 0 to 60.

    Source: Hetzer, Durst, Robinson & Bates 1977, J. Res. NBS 81A:21.

    Raises:
        ValueError: outside that range.
    """
    kelvin = in_range("t_degC", t_degC, 0.0, 60.0, "°C") + _ZERO_K
    return 2073.44 / kelvin - 13.3270 + 0.045199 * kelvin - 3.4846e-5 * kelvin**2


def tris_ph(S: float, t_degC: float) -> float:
    """Return the pH (total scale) of equimolal Tris buffer in artificial sea water.

    Args:
        S: practical salinity of the buffer, 20 to 40.
        t_degC: of the buffer, 0 to 45.

    Source: DelValls & Dickson 1998, Deep-Sea Res. I 45:1541 (coefficients from memory; agrees with
    8.0936 at S 35, 25 °C of Dickson, Sabine & Christian 2007, SOP 6a).

    Raises:
        ValueError: outside those ranges.
    """
    in_range("S", S, 20.0, 40.0)
    kelvin = in_range("t_degC", t_degC, 0.0, 45.0, "°C") + _ZERO_K
    return (
        (11911.08 - 18.2499 * S - 0.039336 * S**2) / kelvin
        - 366.27059
        + 0.53993607 * S
        + 0.00016329 * S**2
        + (64.52243 - 0.084041 * S) * log(kelvin)
        - 0.11149858 * kelvin
    )


def calibrate(
    points: Sequence[tuple[float, float]], t_degC: float, scale: Scale = "nbs"
) -> Calibration:
    """Return slope and offset of an electrode from two or more buffers.

    Args:
        points: (pH of the buffer at its temperature, voltage in mV) of each; at least two, the
            lowest and highest at least 1 pH apart. pH 1 to 13, −1000 to 1000 mV.
        t_degC: of electrode and buffers, 0 to 50.
        scale: of the buffers.

    Source: E = E7 − slope (pH − 7); least squares with three or more points.

    Raises:
        ValueError: outside those ranges; or the voltage does not fall with pH (buffers swapped,
            probe broken).
    """
    k = nernst_slope_mV(in_range("t_degC", t_degC, 0.0, 50.0, "°C"))
    in_range("number of points", len(points), 2, inf)
    for ph, e_mV in points:
        in_range("pH of a buffer", ph, 1.0, 13.0)
        _check_mV(e_mV)
    phs = [ph for ph, _ in points]
    in_range("pH between the outer buffers", max(phs) - min(phs), 1.0, 12.0)
    mean_ph = sum(phs) / len(points)
    mean_mV = sum(e_mV for _, e_mV in points) / len(points)
    spread = sum((ph - mean_ph) ** 2 for ph in phs)
    slope = -sum((ph - mean_ph) * (e_mV - mean_mV) for ph, e_mV in points) / spread
    if slope <= 0.0:
        raise ValueError(
            f"slope = {slope:g} mV/pH: the voltage must fall as pH rises; are the buffers swapped?"
        )
    offset = mean_mV + slope * (mean_ph - PH_ISOPOTENTIAL)
    misses = [e_mV - offset + slope * (ph - PH_ISOPOTENTIAL) for ph, e_mV in points]
    residual = (sum(miss**2 for miss in misses) / len(points)) ** 0.5
    return Calibration(100.0 * slope / k, offset, scale, residual)


def with_one_point(
    calibration: Calibration, ph: float, e_mV: float, t_degC: float, scale: Scale
) -> Calibration:
    """Return the calibration with its offset, and its scale, set by one more buffer.

    Tris in artificial sea water takes a probe to the total scale in this way: the slope stays.

    Args:
        calibration: gives the slope.
        ph: of the buffer at its temperature, 1 to 13.
        e_mV: its voltage, −1000 to 1000.
        t_degC: 0 to 50.
        scale: of this buffer.

    Source: Nernst equation; Dickson, Sabine & Christian 2007, SOP 6a.

    Raises:
        ValueError: outside those ranges.
    """
    in_range("ph", ph, 1.0, 13.0)
    _check_mV(e_mV)
    slope = _slope_mV(calibration, in_range("t_degC", t_degC, 0.0, 50.0, "°C"))
    return replace(calibration, offset_mV=e_mV + slope * (ph - PH_ISOPOTENTIAL), scale=scale)


def ph_from_mV(e_mV: float, t_degC: float, calibration: Calibration) -> float:
    """Return the pH at the water's own temperature, on the calibration's scale.

    Temperature corrects the electrode's slope only; the water's own pH stays as it is (sea water
    moves about −0.015 per kelvin).

    Args:
        e_mV: −1000 to 1000; the pH must come out 0 to 14.
        t_degC: of the water, −5 to 50.
        calibration: from `calibrate`.

    Source: Nernst equation with the isopotential point at pH 7.

    Raises:
        ValueError: outside those ranges.
    """
    _check_mV(e_mV)
    slope = _slope_mV(calibration, in_range("t_degC", t_degC, -5.0, 50.0, "°C"))
    ph = PH_ISOPOTENTIAL - (e_mV - calibration.offset_mV) / slope
    return in_range(f"pH of {e_mV:g} mV", ph, 0.0, 14.0)


def mV_from_ph(ph: float, t_degC: float, calibration: Calibration) -> float:
    """Return the voltage of an electrode in water of this pH, in mV.

    Args:
        ph: on the calibration's scale, 0 to 14.
        t_degC: of the water, −5 to 50.
        calibration: from `calibrate`.

    Source: inverse of `ph_from_mV`.

    Raises:
        ValueError: outside those ranges.
    """
    in_range("ph", ph, 0.0, 14.0)
    slope = _slope_mV(calibration, in_range("t_degC", t_degC, -5.0, 50.0, "°C"))
    return calibration.offset_mV - slope * (ph - PH_ISOPOTENTIAL)


def accept(
    calibration: Calibration, age_days: float = 0.0, response_s: float | None = None
) -> Acceptance:
    """Return whether a probe may be trusted, and why not.

    Slope 95 to 105 % good, 90 to 95 or to 110 % warn, else reject. Offset to 15 mV good, to 30 mV
    warn, else reject. Older than 30 days, or slower than 60 s to 95 % of a step: warn.

    Args:
        calibration: from `calibrate`.
        age_days: of the calibration, at least 0.
        response_s: seconds to 95 % of a step between buffers, at least 0; None: not measured.

    Source: common electrode practice, no source; ASTM E70 and ISO 10523 leave limits to the user.

    Raises:
        ValueError: outside those ranges.
    """
    _check_calibration(calibration)
    not_negative("age_days", age_days, "days")
    slope, offset = calibration.slope_percent, abs(calibration.offset_mV)
    reject = []
    warn = []
    if not 90.0 <= slope <= 110.0:
        reject.append(f"slope {slope:.1f} % is outside 90 to 110 %: replace the probe")
    elif not 95.0 <= slope <= 105.0:
        warn.append(f"slope {slope:.1f} % is outside 95 to 105 %: clean the probe, then replace it")
    if offset > 30.0:
        reject.append(f"offset {calibration.offset_mV:.1f} mV is beyond 30 mV: replace the probe")
    elif offset > 15.0:
        warn.append(f"offset {calibration.offset_mV:.1f} mV is beyond 15 mV: the reference ages")
    if age_days > 30.0:
        warn.append(f"calibration is {age_days:.0f} days old: calibrate again")
    if response_s is not None and not_negative("response_s", response_s, "s") > 60.0:
        warn.append(f"response takes {response_s:.0f} s, more than 60 s: clean the glass")
    if reject:
        return Acceptance("reject", (*reject, *warn))
    return Acceptance("warn" if warn else "accept", tuple(warn))


def ageing(
    days: Sequence[float], slopes_percent: Sequence[float], limit_percent: float = 90.0
) -> Ageing:
    """Return how fast the slope falls over past calibrations, and the days until the limit.

    Args:
        days: of the calibrations, rising; at least three.
        slopes_percent: of the calibrations, 10 to 120.
        limit_percent: 50 to 100; 90 is where `accept` rejects.

    Source: least squares.

    Raises:
        ValueError: outside those ranges.
    """
    rising("days", days, at_least=3)
    for slope in slopes_percent:
        in_range("slopes_percent", slope, 10.0, 120.0, "%")
    in_range("limit_percent", limit_percent, 50.0, 100.0, "%")
    line = straight_line(days, slopes_percent)
    month = 30.4
    left = inf
    if line.slope < 0.0:
        left = (limit_percent - line.intercept) / line.slope - days[-1]
    return Ageing(line.slope * month, line.slope_error * month, max(0.0, left))


def _slope_mV(calibration: Calibration, t_degC: float) -> float:
    _check_calibration(calibration)
    return calibration.slope_percent / 100.0 * nernst_slope_mV(t_degC)


def _check_calibration(calibration: Calibration) -> None:
    in_range("slope_percent", calibration.slope_percent, 1.0, 200.0, "%")
    in_range("offset_mV", calibration.offset_mV, -_MV, _MV, "mV")


def _check_mV(e_mV: float) -> None:
    in_range("e_mV", e_mV, -_MV, _MV, "mV")
