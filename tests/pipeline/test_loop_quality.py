"""How far a reading is trusted is stored with its reason, and decides what may move."""

from collections.abc import Iterator
from pathlib import Path

import pytest
from support.loop_world import CONFIG, World

from weirwatch.domain.reading import Quality
from weirwatch.pipeline.work_desk import WorkRequest

PH = "harbour-hall/sump-node/ph"
DOUBTS = """
[[planned_work]]
id = "probe-in-cup"
minutes = 1
settle_s = 0
rules = ["sump-low"]
calibrates = ["harbour-hall/sump-node/ph"]
"""
TEXT = CONFIG.replace("warm_up_s = 60", "max_change_per_s = 0.01\nfrozen_after_s = 60") + DOUBTS


@pytest.fixture
def world(tmp_path: Path) -> Iterator[World]:
    made = World(tmp_path, text=TEXT)
    yield made
    made.close()


def said(world: World, *steps: tuple[float, float]) -> list[tuple[float, Quality, str]]:
    """Say (seconds later, value) each; returns what is stored of all."""
    for later, value in steps:
        world.clock.go(later)
        world.put(f'[{{"n":"ph","v":{value}}}]')
        world.turn()
    world.turn(6)
    stored = world.archive.readings(PH, 0, 2**62, None, 99)
    return [(r.value, r.quality, r.reason) for r in stored]


def test_a_spike_is_stored_as_doubtful_and_a_true_step_is_believed_in_time(world: World) -> None:
    assert said(world, (0, 8.1), (5, 9.5), (5, 8.12), (5, 8.9), (100, 8.95), (60, 8.95)) == [
        (8.1, Quality.GOOD, ""),
        (9.5, Quality.UNCERTAIN, "step faster than physics allows"),
        (8.12, Quality.GOOD, ""),
        (8.9, Quality.UNCERTAIN, "step faster than physics allows"),
        (8.95, Quality.GOOD, ""),  # 0.83 in 105 s
        (8.95, Quality.UNCERTAIN, "frozen"),
    ]


def test_a_probe_in_its_cup_is_doubted_until_the_work_ends(world: World) -> None:
    request = WorkRequest("start", "probe-in-cup", "keeper")
    world.inbox.put(request)
    world.turn()
    assert said(world, (0, 7.0), (10, 4.01), (50, 8.1)) == [
        (7.0, Quality.UNCERTAIN, "in calibration"),
        (4.01, Quality.UNCERTAIN, "in calibration"),
        (8.1, Quality.GOOD, ""),
    ]
    assert request.answer.result(0)["calibrates"] == [PH]
