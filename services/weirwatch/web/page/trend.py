"""Home of one channel's small chart: from buckets to chart options and one sentence, purely."""

import math
from collections.abc import Sequence
from typing import Any
from zoneinfo import ZoneInfo

from weirwatch.domain.instant import Micros
from weirwatch.domain.reading import Channel
from weirwatch.ports import Bucket
from weirwatch.web.page import words

POINTS = 180
_CALM_STEPS = 20  # the scale shows at least so many steps of the resolution

_INK, _MUTED, _LINE, _BAND = "var(--ww-ink)", "var(--ww-muted)", "var(--ww-rule)", "var(--ww-water)"


def summary(buckets: Sequence[Bucket], channel: Channel) -> str:
    """Return lowest, mean and highest value in one sentence."""
    if not buckets:
        return "No readings in this span."
    count = sum(bucket.count for bucket in buckets)
    mean = sum(bucket.mean * bucket.count for bucket in buckets) / count
    if channel.is_switch:
        return f"On for {mean * 100:.0f} % of {count} readings."
    low = min(bucket.minimum for bucket in buckets)
    high = max(bucket.maximum for bucket in buckets)
    return (
        f"Lowest {words.value_words(channel, low)}, mean {words.value_words(channel, mean)}, "
        f"highest {words.value_words(channel, high)}, of {count} readings. "
        "Line: mean; band: lowest to highest."
    )


def options(
    buckets: Sequence[Bucket],
    channel: Channel,
    span: tuple[Micros, Micros],
    zone: ZoneInfo,
    limits: Sequence[float] = (),
) -> dict[str, Any]:
    """Return ECharts options: the mean as a line, minimum to maximum as a band behind it.

    Times are drawn on the keeper's clock; a gap in the readings is a gap in the line.
    """
    rows = _rows(buckets)
    places = words.decimals(channel)
    low = [[_ms(t, zone), _rounded(lo, places)] for t, lo, _, _ in rows]
    band = [
        [_ms(t, zone), _rounded(hi - lo if hi is not None and lo is not None else None, places)]
        for t, lo, _, hi in rows
    ]
    mean = [[_ms(t, zone), _rounded(m, places + 1)] for t, _, m, _ in rows]
    step = "end" if channel.is_switch else False
    return {
        "animation": False,
        "useUTC": True,
        "grid": {"left": 8, "right": 16, "top": 16, "bottom": 8, "containLabel": True},
        "xAxis": {
            "type": "time",
            "min": _ms(span[0], zone),
            "max": _ms(span[1], zone),
            "splitNumber": 4,
            "axisLabel": {"color": _MUTED, "hideOverlap": True, "formatter": "{HH}:{mm}"},
            "axisLine": {"lineStyle": {"color": _LINE}},
            "axisTick": {"lineStyle": {"color": _LINE}},
        },
        "yAxis": {
            "type": "value",
            "axisLabel": {"color": _MUTED},
            "splitLine": {"lineStyle": {"color": _LINE}},
            **_scale(buckets, channel),
        },
        "series": [
            _series(
                "minimum",
                low,
                stack="band",
                stackStrategy="all",
                lineStyle={"opacity": 0},
                step=step,
            ),
            _series(
                "range",
                band,
                stack="band",
                stackStrategy="all",
                lineStyle={"opacity": 0},
                step=step,
                areaStyle={"color": _BAND, "opacity": 0.8},
            ),
            _series(
                "mean",
                mean,
                lineStyle={"color": _INK, "width": 1.5},
                step=step,
                markLine=_mark_lines(limits),
            ),
        ],
    }


def _scale(buckets: Sequence[Bucket], channel: Channel) -> dict[str, float]:
    """Return a scale of round steps, never so fine that a probe's noise looks like a storm."""
    if channel.is_switch:
        return {"min": 0, "max": 1, "interval": 1}
    if not buckets:
        return {}
    low = min(bucket.minimum for bucket in buckets)
    high = max(bucket.maximum for bucket in buckets)
    least = _CALM_STEPS * (channel.resolution or 10.0 ** -words.decimals(channel))
    middle, span = (low + high) / 2, max(high - low, least)
    step = _round_step(span / 4)
    bottom = math.floor((middle - span / 2) / step) * step
    top = math.ceil((middle + span / 2) / step) * step
    return {"min": round(bottom, 9), "max": round(top, 9), "interval": step}


def _round_step(step: float) -> float:
    """Return the next of 1, 2, 5 times a power of ten."""
    power = float(10.0 ** math.floor(math.log10(step)))
    return next(round(n * power, 9) for n in (1, 2, 5, 10) if n * power >= step * (1 - 1e-9))


def _rows(
    buckets: Sequence[Bucket],
) -> list[tuple[Micros, float | None, float | None, float | None]]:
    """Return middle, minimum, mean, maximum of each bucket, and an empty row in each gap."""
    rows: list[tuple[Micros, float | None, float | None, float | None]] = []
    for before, bucket in zip([None, *buckets], buckets, strict=False):
        # Two missing buckets make a gap: with few readings a single one may be empty by chance.
        if before is not None and bucket.start - before.end > 2 * (bucket.end - bucket.start):
            rows.append((before.end, None, None, None))
        middle = (bucket.start + bucket.end) // 2
        rows.append((middle, bucket.minimum, bucket.mean, bucket.maximum))
    return rows


def _ms(time: Micros, zone: ZoneInfo) -> int:
    """Return the keeper's clock as if it were UTC: the browser's own zone is of no interest."""
    offset = words.local(time, zone).utcoffset()
    return time // 1000 + (round(offset.total_seconds() * 1000) if offset else 0)


def _rounded(value: float | None, places: int) -> float | None:
    return None if value is None else round(value, places + 1)


def _series(name: str, data: list[list[Any]], **more: Any) -> dict[str, Any]:
    return {
        "name": name,
        "type": "line",
        "data": data,
        "symbol": "none",
        "silent": True,
        "connectNulls": False,
        **more,
    }


def _mark_lines(limits: Sequence[float]) -> dict[str, Any]:
    return {
        "symbol": "none",
        "silent": True,
        "animation": False,
        "lineStyle": {"color": _MUTED, "type": "dashed", "width": 1},
        "label": {"color": _MUTED, "position": "insideEndTop", "formatter": "limit {c}"},
        "data": [{"yAxis": limit} for limit in limits],
    }
