"""`weirwatch report water` and `report probes` in a terminal and as JSON."""

import re
from collections.abc import Callable
from pathlib import Path
from typing import Any
from xml.etree import ElementTree

from support.cli_types import Call, Place
from typer.testing import Result

Parsed = Callable[[Result], Any]


def test_both_reports(recorded: Place, call: Call, parsed: Parsed) -> None:
    words = ("--config", recorded.config, "--data", recorded.data)
    for day, value in ((9, "8.4"), (7, "8.1"), (5, "7.8"), (3, "7.5"), (1, "7.2")):
        line = ("test", "alkalinity", value, "dKH", "--time", f"{day}d")
        assert call("log", "add", *line, *words).exit_code == 0
    text = call("report", "water", *words)
    assert text.exit_code == 0, text.output
    assert "Alkalinity: 0.15 ±" in text.stdout
    assert "Calcium: 0 tests, and three are needed." in text.stdout
    assert "alkalinity (hand tests): 7.2 dKH, -0.15 a day: at 7 on" in text.stdout
    document = parsed(call("report", "water", "--json", *words))
    assert document["budgets"][0]["quantity"] == "alkalinity"
    probes = call("report", "probes", *words)
    assert "Calibration due: none" in probes.stdout
    assert parsed(call("report", "probes", "--json", *words))["due"] == []
    wrong = call("report", "water", "--system", "nowhere", *words)
    assert "is none of harbour-hall" in str(wrong.exception)


def test_the_report_as_html_with_plots(
    recorded: Place, call: Call, parsed: Parsed, tmp_path: Path
) -> None:
    words = ("--config", recorded.config, "--data", recorded.data)
    for day, value in ((9, "8.4"), (7, "8.1"), (5, "7.8"), (3, "7.5"), (1, "7.2")):
        line = ("test", "alkalinity", value, "dKH", "--time", f"{day}d")
        assert call("log", "add", *line, *words).exit_code == 0
    file = tmp_path / "water.html"
    done = call("report", "water", "--html", str(file), *words)
    assert done.exit_code == 0, done.output
    html = file.read_text("utf-8")
    assert html.startswith("<!doctype html>")
    assert "Alkalinity, hand tests (dKH)" in html
    assert html.count("<circle") == 5
    assert "<script" not in html
    assert "http" not in html.replace("http-equiv", "")  # nothing is fetched
    for svg in re.findall(r"<svg.*?</svg>", html, re.DOTALL):
        ElementTree.fromstring(svg)
    lost = call("report", "water", "--html", str(tmp_path / "no" / "x.html"), *words)
    assert "cannot be written" in str(lost.exception)
