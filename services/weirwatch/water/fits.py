"""Fits that the water functions share: straight lines, least-squares and robust; an integral."""

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from math import sqrt
from statistics import NormalDist, median


@dataclass(frozen=True, slots=True)
class Line:
    """A least-squares line y = intercept + slope x.

    Attributes:
        slope: in units of y per x.
        intercept: in units of y.
        slope_error: standard error of the slope.
        residual: root mean square distance of the points from the line.
    """

    slope: float
    intercept: float
    slope_error: float
    residual: float


def straight_line(x: Sequence[float], y: Sequence[float]) -> Line:
    """Return the least-squares line through at least three points.

    Source: ordinary least squares.

    Raises:
        ValueError: fewer than three points, different lengths, or all x equal.
    """
    n = len(x)
    if n < 3:
        raise ValueError(f"a line needs at least 3 points, not {n}")
    mean_x, mean_y = sum(x) / n, sum(y) / n
    sxx = sum((a - mean_x) ** 2 for a in x)
    if not sxx > 0.0:
        raise ValueError("all points have the same x: no line goes through them")
    slope = sum((a - mean_x) * (b - mean_y) for a, b in zip(x, y, strict=True)) / sxx
    squares = sum((b - mean_y - slope * (a - mean_x)) ** 2 for a, b in zip(x, y, strict=True))
    return Line(
        slope=slope,
        intercept=mean_y - slope * mean_x,
        slope_error=sqrt(squares / (n - 2) / sxx),
        residual=sqrt(squares / n),
    )


def running_integral(x: Sequence[float], y: Sequence[float]) -> list[float]:
    """Return the integral of y over x from the first point to each point, by trapezoids."""
    sums = [0.0]
    for i in range(1, len(x)):
        sums.append(sums[-1] + 0.5 * (y[i] + y[i - 1]) * (x[i] - x[i - 1]))
    return sums


def theil_sen_slope(x: Sequence[float], y: Sequence[float]) -> float:
    """Return the median of the slopes between all pairs of points with different x.

    Not moved by up to 29 % of wild points.

    Source: Theil 1950, Sen 1968.

    Raises:
        ValueError: no two points with different x.
    """
    slopes = [
        (y[j] - y[i]) / (x[j] - x[i])
        for i in range(len(x))
        for j in range(i + 1, len(x))
        if x[j] != x[i]
    ]
    if not slopes:
        raise ValueError("all points have the same x: no line goes through them")
    return median(slopes)


def theil_sen_interval(
    x: Sequence[float], y: Sequence[float], confidence: float
) -> tuple[float, float]:
    """Return the bounds of the Theil-Sen slope at a confidence such as 0.9.

    From the variance of Kendall's score with its correction for equal values; the points' errors
    are taken as independent. With few points the bounds are the smallest and the largest slope.

    Source: Sen 1968, J. Am. Stat. Assoc. 63:1379; Gilbert 1987, Statistical Methods for
    Environmental Pollution Monitoring, 16.4.2 (from memory).

    Raises:
        ValueError: no two points with different x, or a confidence that is not within 0 to 1.
    """
    if not 0.0 < confidence < 1.0:
        raise ValueError(f"confidence {confidence:g} is not between 0 and 1")
    slopes = sorted(
        (y[j] - y[i]) / (x[j] - x[i])
        for i in range(len(x))
        for j in range(i + 1, len(x))
        if x[j] != x[i]
    )
    if not slopes:
        raise ValueError("all points have the same x: no line goes through them")
    n = len(x)
    ties = sum(
        k * (k - 1) * (2 * k + 5) for values in (x, y) for k in Counter(values).values() if k > 1
    )
    score = sqrt(max(0.0, (n * (n - 1) * (2 * n + 5) - ties) / 18.0))
    beyond = NormalDist().inv_cdf(0.5 + confidence / 2.0) * score
    last = len(slopes) - 1
    low = round((len(slopes) - beyond) / 2.0) - 1
    high = round((len(slopes) + beyond) / 2.0)
    return slopes[min(max(low, 0), last)], slopes[min(max(high, 0), last)]
