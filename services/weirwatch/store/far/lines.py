"""Readings in the line protocol of InfluxDB, which other servers take as well.

https://docs.influxdata.com/influxdb/v2/reference/syntax/line-protocol/
"""

from collections.abc import Mapping, Sequence

from weirwatch.domain.instant import Micros
from weirwatch.domain.reading import Reading


def lines_of(
    readings: Sequence[Reading],
    units: Mapping[str, str],
    resolution: Micros = 1,
    backslash: str = "\\",
) -> bytes:
    """Return one line a reading, with its time as a number of `resolution`.

    Args:
        readings: to be told.
        units: of their channels.
        resolution: of the times.
        backslash: how the server wants one written: InfluxDB as it is, others doubled.
    """
    lines = (
        _line(reading, units.get(reading.channel, ""), resolution, backslash)
        for reading in readings
    )
    return "\n".join(lines).encode()


def _line(reading: Reading, unit: str, resolution: Micros, backslash: str) -> str:
    tags = {"channel": reading.channel, "unit": unit, "quality": reading.quality.word}
    tags["reason"] = reading.reason
    named = "".join(f",{name}={_tag(value, backslash)}" for name, value in tags.items() if value)
    return f"weirwatch{named} reading={reading.value!r} {reading.time // resolution}"


def _tag(text: str, backslash: str) -> str:
    """Return a tag's value as the protocol wants it; it knows no line feed."""
    text = text.replace("\n", " ").rstrip("\\").replace("\\", backslash)
    for mark in (",", "=", " "):
        text = text.replace(mark, f"\\{mark}")
    return text
