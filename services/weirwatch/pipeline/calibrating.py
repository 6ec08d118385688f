"""From calibration points to a correction of a channel, with a verdict on the probe.

The node keeps sending what it sends. A correction is a straight line, raw × gain + shift:

- ph: two or three buffers. The node is taken to turn millivolts into pH by the ideal slope, so that
  its pH in the buffers gives the millivolts back.
- ph-voltage: two or three buffers, each as its pH and the millivolts shown; from then on the
  channel has the millivolts of a perfect electrode, from which the formula `ph` makes a pH.
- conductivity: one standard, a factor.
- level: two marks, gain and shift.
- any other quantity: one known value, a shift.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from weirwatch.domain.errors import RefusedEntry
from weirwatch.domain.keeper_log import Correction
from weirwatch.domain.reading import Channel
from weirwatch.water.ph_probe import (
    PERFECT,
    PH_ISOPOTENTIAL,
    Calibration,
    accept,
    calibrate,
    mV_from_ph,
)

Point = tuple[float, float]  # the known value, and what was shown in it
_POINTS = {"ph": (2, 3), "ph-voltage": (2, 3), "conductivity": (1, 1), "level": (2, 2)}
_BELIEVED_GAIN = (0.8, 1.25)  # beyond it rather a wrong standard than a probe's drift (judgement)


@dataclass(frozen=True, slots=True)
class Found:
    """What a calibration found.

    Attributes:
        gain, shift: from the raw value to the corrected one.
        verdict: accept, warn or reject, with a reason for each thing that is not good.
        slope_percent, offset_mv: of a pH probe; None elsewhere.
    """

    gain: float
    shift: float
    verdict: str
    reasons: tuple[str, ...] = ()
    slope_percent: float | None = None
    offset_mv: float | None = None

    def as_json(self) -> dict[str, Any]:
        """Return it as an entry's detail keeps it."""
        return {
            "gain": self.gain,
            "shift": self.shift,
            "verdict": self.verdict,
            "reasons": list(self.reasons),
            "slope_percent": self.slope_percent,
            "offset_mv": self.offset_mv,
        }


def find_calibration(
    channel: Channel,
    points: Sequence[Point],
    temperature_degc: float | None,
    standing: Correction | None,
) -> Found:
    """Return the correction that the points ask for.

    Args:
        channel: the probe's.
        points: known value and what Weirwatch showed, in the channel's unit. None of them: back to
            what the node sends.
        temperature_degc: of the buffers; for pH only, 25 without.
        standing: the correction in force, taken out of what was shown.

    Raises:
        RefusedEntry: too few or too many points, or points that no probe gives.
    """
    if channel.is_switch:
        raise RefusedEntry(f"{channel.id} is a switch: it has nothing to calibrate")
    if not points:
        return Found(1.0, 0.0, "accept", ("as the node sends it",))
    fewest, most = _POINTS.get(channel.quantity, (1, 1))
    if not fewest <= len(points) <= most:
        wanted = f"{fewest}" if fewest == most else f"{fewest} or {most}"
        raise RefusedEntry(
            f"{channel.quantity} is calibrated with {wanted} point(s), not {len(points)}: write"
            " each as KNOWN=SHOWN"
        )
    raw = [(known, standing.raw(shown) if standing else shown) for known, shown in points]
    try:
        if channel.quantity in _ELECTRODES:
            t = 25.0 if temperature_degc is None else temperature_degc
            return _ELECTRODES[channel.quantity](raw, t)
        return _LINES.get(channel.quantity, _shift)(raw)
    except (ValueError, ArithmeticError) as error:
        raise RefusedEntry(f"no calibration comes of these points: {error}") from error


def correction_of(detail: Mapping[str, Any]) -> Correction:
    """Return the correction that a calibration's entry keeps."""
    return Correction(int(detail["start"]), float(detail["gain"]), float(detail["shift"]))


def calibration_of(detail: Mapping[str, Any]) -> Calibration | None:
    """Return slope and offset of a pH probe's entry; None for others."""
    slope, offset = detail.get("slope_percent"), detail.get("offset_mv")
    return None if slope is None or offset is None else Calibration(float(slope), float(offset))


def _ph(points: Sequence[Point], t: float) -> Found:
    found = calibrate([(known, mV_from_ph(shown, t, PERFECT)) for known, shown in points], t)
    verdict = accept(found)
    # ph_from_mV(mV_from_ph(raw, ideal), found), written as a line; the offset's part is that at the
    # buffers' temperature, 0.3 % off per kelvin.
    gain = 100.0 / found.slope_percent
    at_seven = found.offset_mV / (mV_from_ph(6.0, t, PERFECT) * found.slope_percent / 100.0)
    shift = PH_ISOPOTENTIAL - PH_ISOPOTENTIAL * gain + at_seven
    return Found(
        gain, shift, verdict.verdict, verdict.reasons, found.slope_percent, found.offset_mV
    )


def _ph_voltage(points: Sequence[Point], t: float) -> Found:
    found = calibrate(points, t)
    verdict = accept(found)
    gain = 100.0 / found.slope_percent
    return Found(
        gain,
        -found.offset_mV * gain,
        verdict.verdict,
        verdict.reasons,
        found.slope_percent,
        found.offset_mV,
    )


def _factor(points: Sequence[Point]) -> Found:
    ((known, shown),) = points
    if known <= 0.0 or shown <= 0.0:
        raise ValueError("both values must be above 0")
    return _judged(known / shown, 0.0)


def _line(points: Sequence[Point]) -> Found:
    (known_a, shown_a), (known_b, shown_b) = points
    if known_a == known_b or shown_a == shown_b:
        raise ValueError("the two marks must differ, and so must what was shown")
    gain = (known_b - known_a) / (shown_b - shown_a)
    if gain <= 0.0:
        raise ValueError("it falls where the level rises; are the marks swapped?")
    return _judged(gain, known_a - gain * shown_a)


def _shift(points: Sequence[Point]) -> Found:
    ((known, shown),) = points
    return _judged(1.0, known - shown)


def _judged(gain: float, shift: float) -> Found:
    low, high = _BELIEVED_GAIN
    if low <= gain <= high:
        return Found(gain, shift, "accept")
    return Found(gain, shift, "reject", (f"factor {gain:.3g} is outside {low:g} to {high:g}",))


_ELECTRODES = {"ph": _ph, "ph-voltage": _ph_voltage}
_LINES = {"conductivity": _factor, "level": _line}
