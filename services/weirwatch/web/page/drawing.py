"""Home of the drawings: vessels cut through at one common scale, and the shapes of alarms.

A vessel is drawn as the cut through a tank with a square plan: as wide as the root of its water
surface, as high as it is, every vessel of the plant at the same scale. Colours come from the
style sheet, so that a drawing reads on light and dark ground, and without any colour at all.
"""

import math
from collections.abc import Sequence
from html import escape

from weirwatch.domain.rule import Priority
from weirwatch.settings import VesselSettings

_PX_PER_M = 100.0  # drawing units; the style sheet scales the whole drawing
_WALL = 3.0
_ROOM = 11.0  # around the tank, for marks
_BOX = 12.0  # width of the overflow box behind the weir
_RIPPLE = 9.0


def vessel_svg(
    vessel: VesselSettings, widest_m: float, level: float | None, limits: Sequence[float]
) -> str:
    """Return one vessel as SVG.

    Args:
        vessel: what is drawn.
        widest_m: width of the widest vessel; all drawings are made as wide as that one.
        level: water now in metres above the floor; None: not known, drawn empty with a "?".
        limits: level limits in metres, marked at the wall.
    """
    width, height = width_m(vessel) * _PX_PER_M, vessel.height_m * _PX_PER_M
    canvas_w = widest_m * _PX_PER_M + 2 * _ROOM
    canvas_h = height + _ROOM
    left, top = (canvas_w - width) / 2, _ROOM - 4
    bottom = top + height
    inside = width - (_BOX if vessel.crest_m is not None else 0)
    measured = bool(vessel.level_channel)
    parts = [
        _water(left, inside, bottom, height, level)
        if measured
        else _unmeasured(vessel, left, inside, bottom),
        _crest(vessel, left, width, bottom),
        *(_limit(limit, left, bottom) for limit in limits if limit <= vessel.height_m),
        f'<path class="ww-wall" d="M{left:.1f} {top:.1f}V{bottom:.1f}H{left + width:.1f}'
        f'V{top:.1f}"/>',
    ]
    if measured and level is None:
        parts.append(
            f'<text class="ww-unknown" x="{canvas_w / 2:.1f}" y="{bottom - height / 2 + 8:.1f}" '
            'text-anchor="middle">?</text>'
        )
    return (
        f'<svg class="ww-vessel" viewBox="0 0 {canvas_w:.1f} {canvas_h:.1f}" role="img" '
        f'aria-label="{escape(_spoken(vessel, level), quote=True)}">{"".join(parts)}</svg>'
    )


def width_m(vessel: VesselSettings) -> float:
    """Return how wide a vessel is drawn: the side of a square of its water surface."""
    return math.sqrt(vessel.area_m2)


def _water(left: float, width: float, bottom: float, height: float, level: float | None) -> str:
    if level is None:
        return ""
    depth = min(max(level * _PX_PER_M, 0.0), height)
    surface = bottom - depth
    return (
        f'<rect class="ww-water" x="{left:.1f}" y="{surface:.1f}" width="{width:.1f}" '
        f'height="{depth:.1f}"/><path class="ww-surface" d="{_ripple(left, width, surface)}"/>'
    )


def _unmeasured(vessel: VesselSettings, left: float, width: float, bottom: float) -> str:
    """Return the level a vessel has by its build, dashed: nobody measures it."""
    depth = vessel.crest_m or (vessel.working_l or vessel.volume_l) / 1000 / vessel.area_m2
    surface = bottom - min(depth, vessel.height_m) * _PX_PER_M
    return f'<path class="ww-assumed" d="M{left:.1f} {surface:.1f}h{width:.1f}"/>'


def _ripple(left: float, width: float, y: float) -> str:
    """Return a water line of gentle waves, so that water is known by its shape."""
    waves = max(2, round(width / (2 * _RIPPLE)))
    step = width / waves / 2
    return f"M{left:.1f} {y:.1f}" + "".join(
        f"q{step / 2:.2f} {-1.6 if i % 2 == 0 else 1.6} {step:.2f} 0" for i in range(2 * waves)
    )


def _crest(vessel: VesselSettings, left: float, width: float, bottom: float) -> str:
    """Return the overflow weir: the wall of its box on the right, as high as the crest."""
    if vessel.crest_m is None:
        return ""
    y = bottom - vessel.crest_m * _PX_PER_M
    x = left + width
    return f'<path class="ww-crest" d="M{x - _BOX:.1f} {bottom:.1f}V{y:.1f}"/>'


def _limit(limit: float, left: float, bottom: float) -> str:
    y = bottom - limit * _PX_PER_M
    x = left - _WALL
    return f'<path class="ww-limit" d="M{x:.1f} {y:.1f}l-8 -4v8z"/>'


def _spoken(vessel: VesselSettings, level: float | None) -> str:
    name = vessel.title or vessel.id
    if not vessel.level_channel:
        return f"{name}: level not measured"
    if level is None:
        return f"{name}: level not known"
    percent = round(100 * level / vessel.height_m)
    return f"{name}: water at {level * 1000:.0f} mm, {percent} % of its height"


# --- shapes ----------------------------------------------------------------------------------

# One outline per priority, told apart without colour: eight corners, four, three, none.
_OUTLINES = {
    Priority.CRITICAL: "M8 2H16L22 8V16L16 22H8L2 16V8Z",
    Priority.HIGH: "M12 1.5L22.5 12L12 22.5L1.5 12Z",
    Priority.MEDIUM: "M12 2.5L22.5 21H1.5Z",
    Priority.LOW: "M12 3a9 9 0 1 0 .01 0Z",
}
_CORES = {
    Priority.CRITICAL: "M12 6V13.5M12 16.5V18",
    Priority.HIGH: "M12 6.5V13M12 15.8V17.3",
    Priority.MEDIUM: "M12 9V15M12 17V18.3",
    Priority.LOW: "M12 8V13M12 15.2V16.5",
}


def alarm_svg(priority: Priority, form: str) -> str:
    """Return the shape of an alarm: outline by priority; filled, open or dashed by `form`."""
    label = f"{priority.value} priority"
    return (
        f'<svg class="ww-shape ww-{priority.value} ww-form-{escape(form)}" viewBox="0 0 24 24" '
        f'role="img" aria-label="{label}"><path class="ww-outline" d="{_OUTLINES[priority]}"/>'
        f'<path class="ww-core" d="{_CORES[priority]}"/></svg>'
    )


def mark_svg(mark: str) -> str:
    """Return the shape of a value that cannot be taken as it stands: silent, bad, uncertain."""
    inner = {
        "silent": '<path d="M4 12H20M12 4v0"/><path d="M5 5L19 19"/>',
        "never": '<path d="M4 12H20"/>',
        "bad": '<path d="M6 6L18 18M18 6L6 18"/>',
        "uncertain": '<path d="M8 9a4 4 0 1 1 4 4.5V15M12 18v1"/>',
    }[mark]
    return f'<svg class="ww-shape ww-mark" viewBox="0 0 24 24" aria-hidden="true">{inner}</svg>'


# The safety alert symbol of ANSI Z535.4: a triangle around an exclamation mark.
ALERT_SVG = (
    '<svg class="ww-alert" viewBox="0 0 24 24" aria-hidden="true">'
    '<path d="M12 2L23 21.5H1Z" fill="currentColor"/>'
    '<path d="M12 9V15M12 17.2V18.8" stroke="var(--ww-panel)" stroke-width="2.4" '
    'fill="none"/></svg>'
)
