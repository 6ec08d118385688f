"""The home of `--from` and `--to`: a time, or a span before another one."""

import re

from weirwatch.domain.errors import ConfigError
from weirwatch.domain.instant import SECOND, Micros, from_rfc3339

# A day or two within the years 1 to 9999, for every time zone.
_EARLIEST = from_rfc3339("0001-01-03T00:00:00Z")
_LATEST = from_rfc3339("9999-12-30T00:00:00Z")
_SPANS_S = {"s": 1, "m": 60, "h": 3600, "d": 86_400, "w": 604_800}
_SPAN = re.compile(r"(\d{1,9}(?:\.\d+)?)([smhdw])")


def time_range(
    start: str | None, end: str | None, now: Micros, default: Micros
) -> tuple[Micros, Micros]:
    """Return the range that `--from` and `--to` ask for.

    Args:
        start: RFC 3339, or a span before the end; None: `default` before it.
        end: RFC 3339, or a span before `now`; None: now.
        now: service time.
        default: the span without `--from`.

    Raises:
        ConfigError: one of them is no time, or the range is empty.
    """
    ends = now if end is None else parse_time("--to", end, now)
    begins = max(ends - default, _EARLIEST) if start is None else parse_time("--from", start, ends)
    if begins >= ends:
        raise ConfigError(f"--from {start}: is not before the end of the range")
    return begins, ends


def parse_time(option: str, text: str, before: Micros) -> Micros:
    """Return the time of one option's text.

    Raises:
        ConfigError: it is none; says how to write one.
    """
    span = _SPAN.fullmatch(text)
    if span is not None:
        return _written(option, text, before - round(float(span[1]) * _SPANS_S[span[2]] * SECOND))
    try:
        time = from_rfc3339(text)
    except ValueError:
        raise ConfigError(
            f"{option} {text}: is not a time. Write 2026-05-01T12:00:00Z, or a span such as 6h or "
            "2d (s, m, h, d, w)."
        ) from None
    return _written(option, text, time)


def _written(option: str, text: str, time: Micros) -> Micros:
    """Return the time if it can be written: in the years 1 to 9999.

    Raises:
        ConfigError: it cannot.
    """
    if not _EARLIEST <= time <= _LATEST:
        raise ConfigError(f"{option} {text}: is beyond the calendar (years 1 to 9999)")
    return time
