"""Planned work in the configuration: what it becomes, and every mistake."""

from collections.abc import Callable
from pathlib import Path

import pytest

from weirwatch.config import check, load
from weirwatch.domain.instant import SECOND
from weirwatch.domain.rule import ChannelBeyond, ChannelIs, Side

Write = Callable[[str], Path]

MORE = """
[[channel]]
id = "hall/floor-node/wet"
quantity = "switch"
[[rule]]
id = "sump-flow"
kind = "absolute"
channel = "hall/sump-node/flow"
low = 100
deadband = 10
failure = "return-pump-stopped"
response = "Look at the pump."
shelve_max_minutes = 60
[[rule]]
id = "sump-full"
kind = "absolute"
channel = "hall/sump-node/level"
high = 400
deadband = 10
failure = "sump-high"
response = "Look at the sump."
[[rule]]
id = "wet"
kind = "absolute"
channel = "hall/floor-node/wet"
is = true
failure = "floor-leak"
response = "Look from the door."
"""
WORK = """
[[planned_work]]
id = "feeding-pause"
minutes = 10
rules = ["return-pump-stopped", "sump-level-high"]
check = [
  { channel = "hall/sump-node/flow", above = 200 },
  { channel = "hall/power-node/mains", is = true },
]
"""


def test_a_probe_in_its_cup_is_named_and_what_it_blinds_told(write: Write, good: str) -> None:
    calibrates = WORK + 'calibrates = ["hall/sump-node/level", "hall/floor-node/wet"]\n'
    (work,) = load(write(good + MORE + calibrates)).planned_works
    assert work.calibrates == {"hall/sump-node/level", "hall/floor-node/wet"}
    doubts = [w for w in check(write(good + MORE + calibrates)).warnings if "calibrates" in w]
    assert len(doubts) == 1
    assert "leaves wet without a reading to trust" in doubts[0]
    wrong = calibrates.replace("floor-node/wet", "floor-node/wett")
    (error,) = check(write(good + MORE + wrong)).errors
    assert "calibrates[2]" in error
    assert "is no channel of this file" in error


def test_rules_are_named_by_id_or_by_failure(write: Write, good: str) -> None:
    (work,) = load(write(good + MORE + WORK)).planned_works
    assert (work.id, work.title) == ("feeding-pause", "Feeding pause")
    assert (work.duration, work.settle) == (600 * SECOND, 120 * SECOND)
    assert work.rules == ("sump-level-high", "sump-flow")
    assert work.checks == (
        ChannelBeyond("hall/sump-node/flow", Side.HIGH, 200.0),
        ChannelIs("hall/power-node/mains", True),
    )
    assert work.longest == 3600 * SECOND


def test_a_failure_stands_for_all_its_rules(write: Write, good: str) -> None:
    text = WORK.replace('"return-pump-stopped", "sump-level-high"', '"sump-high"')
    (work,) = load(write(good + MORE + text)).planned_works
    assert work.rules == ("sump-level-high", "sump-full")


@pytest.mark.parametrize(
    ("old", "new", "told"),
    [
        ('"sump-level-high"]', '"wet"]', "has a bold failure, which is never kept quiet"),
        ('"sump-level-high"]', '"floor-leak"]', "has a bold failure, which is never kept quiet"),
        ('"sump-level-high"]', '"sump-levle-high"]', 'Did you mean "sump-level-high"?'),
        ("minutes = 10", "minutes = 59", "is longer than 60 minutes"),
        ("minutes = 10", "minutes = 0", "must be more than 0"),
        (", above = 200", "", "does not say what to expect"),
        ("above = 200", "above = 200, below = 300", "does not say what to expect"),
        ("above = 200", "is = true", "gives numbers. Give above or below"),
        ("mains", "mians", "is no channel of this file"),
        ("is = true", "above = 1", "is a switch. Give is = true or false"),
        ("minutes = 10", "", "minutes: is missing"),
        ("minutes = 10", "minuets = 10", 'Did you mean "minutes"?'),
    ],
)
def test_every_mistake_is_told(write: Write, good: str, old: str, new: str, told: str) -> None:
    assert old in WORK
    report = check(write(good + MORE + WORK.replace(old, new, 1)))
    assert any(told in sentence for sentence in report.errors), report.errors
    assert all("feeding-pause" in sentence for sentence in report.errors)


def test_harbour_hall_never_silences_its_float_nor_a_bold_failure() -> None:
    settings = load(Path(__file__).parents[2] / "deploy" / "harbour-hall.toml")
    rules = {rule.id: rule for rule in settings.rules}
    works = {work.id: work for work in settings.planned_works}
    assert {w: work.duration // (60 * SECOND) for w, work in works.items()} == {
        "feeding-pause": 10,
        "water-change": 60,
        "probe-calibration": 30,
    }
    named = {rule for work in works.values() for rule in work.rules}
    assert "sump-high-float" not in named
    assert not any(rules[rule].bold for rule in named)
    assert {"return-pump-stopped", "skimmer-flow-lost"} <= set(works["feeding-pause"].rules)
