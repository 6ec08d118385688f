"""One worked example per rule kind: a configuration, and what the probes said.

The readings are formulas, so that anybody can follow them; seconds from 12:00.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from itertools import pairwise
from math import exp, sin

SYSTEM = """\
[[system]]
id = "harbour-hall"
"""


@dataclass(frozen=True)
class Curve:
    """One channel of an example: its table, how often it reports, what it says at a second.

    None: it says nothing. `step`: drawn as steps, as a switch is.
    """

    table: str
    every: int
    value: Callable[[int], float | None]
    step: bool = False

    @property
    def name(self) -> str:
        """The channel's name on its node."""
        return self.table.split('id = "')[1].split('"')[0]


@dataclass(frozen=True)
class Example:
    """A rule, its channels (the rule's own first) and how long it is watched.

    `levels`: drawn as level lines, (value, word).
    """

    kind: str
    says: str
    rule: str
    curves: Sequence[Curve]
    seconds: int
    levels: Sequence[tuple[float, str]] = ()


def _channel(name: str, quantity: str, unit: str, every: int, more: str = "") -> str:
    lines = [f'id = "harbour-hall/{name}"', f'quantity = "{quantity}"']
    lines += [f'unit = "{unit}"'] if unit else []
    lines += [f"expected_every_s = {every}"] if every else []
    return "\n".join(["[[channel]]", *lines, *([more] if more else [])]) + "\n"


def _between(points: Sequence[tuple[int, float]]) -> Callable[[int], float]:
    """Straight lines between points."""

    def value(second: int) -> float:
        for (start, low), (end, high) in pairwise(points):
            if start <= second <= end:
                return low + (high - low) * (second - start) / (end - start)
        return points[-1][1]

    return value


def _sump(second: int) -> float:
    first = [(0, 296.0), (60, 312.0), (65, 312.0), (75, 296.0), (120, 296.0), (150, 314.0)]
    then = [(300, 314.0), (330, 303.0), (420, 303.0), (450, 296.0), (600, 296.0)]
    return round(_between([*first, *then])(second), 1)


def _tremble(second: int) -> float | None:
    if second > 1500 and second < 2100:
        return None
    return 5200.0 if 300 <= second <= 1200 else 5200.0 + round(40 * sin(second), 0)


EXAMPLES = (
    Example(
        "absolute",
        "The level is above 310 mm for some seconds at first: less than the on-delay, "
        "nothing. Then it stays there. Between 300 and 310 mm the alarm stands on; below 300 "
        "mm for 60 s it returns.",
        """\
[[rule]]
id = "sump-level-high"
kind = "absolute"
channel = "harbour-hall/sump-node/level"
high = 310
deadband = 10
on_delay_s = 30
off_delay_s = 60
failure = "sump-high"
response = "Look at the sump camera."
""",
        [Curve(_channel("sump-node/level", "level", "mm", 5), 5, _sump)],
        600,
        [(310, "high 310"), (300, "returns at 300")],
    ),
    Example(
        "deviation",
        "Two probes in the same water. Neither is impossible, but they drift apart: the "
        "distance counts, whichever is right. After the calibration they agree again.",
        """\
[[rule]]
id = "ph-probes-disagree"
kind = "deviation"
channel = "harbour-hall/sump-node/ph"
from = "harbour-hall/hall-node/ph"
limit = 0.2
deadband = 0.05
on_delay_s = 600
failure = "probe-drift"
response = "Measure with a hand instrument; calibrate the probe that is off."
""",
        [
            Curve(
                _channel("sump-node/ph", "ph", "pH", 60),
                60,
                lambda s: round(8.2 + (0.3 * s / 7200 if s < 6000 else 0.0), 3),
            ),
            Curve(
                _channel("hall-node/ph", "ph", "pH", 60),
                60,
                lambda s: round(8.2 + 0.004 * sin(s), 3),
            ),
        ],
        7200,
    ),
    Example(
        "rate-of-change",
        "A heater has failed. Long before any limit on the temperature is reached, the slope "
        "over half an hour tells; wild readings do not move it. It needs 80 % of its window "
        "to begin with.",
        """\
[[rule]]
id = "temperature-falls"
kind = "rate-of-change"
channel = "harbour-hall/sump-node/temperature"
fall = 0.3
window_s = 1800
deadband = 0.1
failure = "heater-failed-off"
response = "Look at the heaters' power reading."
""",
        [
            Curve(
                _channel("sump-node/temperature", "temperature", "Cel", 30),
                30,
                lambda s: round(
                    24.0
                    if s in (3000, 4200)
                    else 25.5 - (0.8 * (1 - exp(-(s - 2400) / 3600)) if s > 2400 else 0.0),
                    2,
                ),
            )
        ],
        14_400,
    ),
    Example(
        "discrepancy",
        "While the pump has power, flow is expected. At its start the pipes need a while to "
        "fill, which `within_s` grants. Later the flow stops although the pump has power.",
        """\
[[rule]]
id = "return-flow-missing"
kind = "discrepancy"
channel = "harbour-hall/sump-node/return-flow"
expected_min = 3000
while = [{ channel = "harbour-hall/power-node/pump", is = true }]
within_s = 60
deadband = 200
failure = "return-pump-stopped"
response = "Look at the pump's power reading, then call."
""",
        [
            Curve(
                _channel("sump-node/return-flow", "flow", "L/h", 5),
                5,
                _between([(0, 0), (130, 0), (160, 5800), (400, 5800), (410, 0), (900, 0)]),
            ),
            Curve(
                _channel("power-node/pump", "switch", "", 5),
                5,
                lambda s: float(120 <= s < 700),
                step=True,
            ),
        ],
        900,
        [(3000, "expected_min 3000")],
    ),
    Example(
        "bad-measurement",
        "A flow always trembles; the same value for ten minutes is no measurement. Later the "
        "probe says nothing at all: silent after three times `expected_every_s`.",
        """\
[[rule]]
id = "return-flow-meter"
kind = "bad-measurement"
channel = "harbour-hall/sump-node/return-flow"
silent = true
frozen_s = 600
failure = "probe-frozen"
response = "Compare it with a hand instrument."
""",
        [Curve(_channel("sump-node/return-flow", "flow", "L/h", 30), 30, _tremble)],
        2700,
    ),
    Example(
        "duty",
        "A heater that is on for more than 45 of 60 minutes is too small, or alone. On-time "
        "leaves the window again by itself: no reading is needed for that.",
        """\
[[rule]]
id = "heater-overworked"
kind = "duty"
channel = "harbour-hall/power-node/heater"
on_for_s = 2700
window_s = 3600
failure = "heater-failed-off"
response = "Look at both heaters' power readings."
""",
        [
            Curve(
                _channel("power-node/heater", "switch", "", 60),
                60,
                lambda s: float(s % 1800 < 900 if s < 3600 or s >= 9000 else s < 7200),
                step=True,
            )
        ],
        14_400,
    ),
    Example(
        "forecast",
        "The top-off reservoir is used up faster since a window was opened. The trend over "
        "two hours says hours ahead that it will be empty; the predicted time is on the alarm "
        "and follows the trend. Refilled, it leads away from the limit.",
        """\
[[rule]]
id = "reservoir-runs-dry"
kind = "forecast"
channel = "harbour-hall/sump-node/reservoir"
low = 10
within_s = 28800
window_s = 7200
failure = "reservoir-empty"
response = "Fill the reservoir with fresh water."
""",
        [
            Curve(
                _channel("sump-node/reservoir", "volume", "L", 300),
                300,
                _between([(0, 80), (14_400, 76), (32_400, 35), (32_700, 110), (46_800, 106)]),
            )
        ],
        46_800,
        [(10, "low 10")],
    ),
)
