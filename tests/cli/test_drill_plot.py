"""Curves of the drill's report: parsed as XML, placed within their frame."""

from xml.etree import ElementTree

from weirwatch.cli.drill_plot import plot

POINTS = [(-100.0 + n, float(n)) for n in range(1100)]


def drawn(*arguments: float | None) -> list[str]:
    limit, alarm_s, harm_s = arguments
    svg = ElementTree.fromstring(plot("Sump <level>", POINTS, limit, alarm_s, harm_s))
    return [text.text or "" for text in svg.iter("text")]


def test_limit_alarm_and_harm_are_named_beside_their_lines() -> None:
    said = drawn(500.0, 300.0, 900.0)
    assert said[0] == "Sump <level>"
    assert {"limit 500", "failure", "told", "harm"} <= set(said)


def test_what_the_curve_does_not_reach_is_left_out() -> None:
    said = drawn(None, None, 5000.0)
    assert not {"told", "harm"} & set(said)
    assert not any(text.startswith("limit") for text in said)


def test_a_long_curve_keeps_its_lowest_and_highest_points() -> None:
    spiked = [(float(n), 100.0 if n == 7_777 else 1.0) for n in range(20_000)]
    svg = ElementTree.fromstring(plot("x", spiked, None, None, None))
    curve = [path.get("d") or "" for path in svg.iter("path") if path.get("class") == "ww-curve"]
    heights = [float(step.split()[1]) for step in curve[0][1:].split("L")]
    assert len(heights) < 1500
    assert min(heights) < 50 < 140 < max(heights)


def test_harm_at_the_very_end_of_a_long_curve_is_marked() -> None:
    """A play ends with its harm, and a long curve is thinned, perhaps of its last point too."""
    points = [(float(n), float(n % 7 == 0)) for n in range(20_000)]
    svg = ElementTree.fromstring(plot("x", points, None, 5.0, 19_999.0))
    assert {"told", "harm"} <= {text.text for text in svg.iter("text")}


def test_everything_lies_within_the_frame() -> None:
    svg = ElementTree.fromstring(plot("x", POINTS, 1500.0, 999.0, 998.0))
    for text in svg.iter("text"):
        assert 0 <= float(text.get("x") or -1) <= 720
        assert 0 <= float(text.get("y") or -1) <= 190


def test_a_flat_or_empty_curve_is_no_error() -> None:
    assert "<svg" in plot("x", [(0.0, 3.0), (10.0, 3.0)], None, None, None)
    assert "no readings" in plot("x", [], None, None, None)
