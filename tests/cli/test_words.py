"""How values read in a terminal."""

from dataclasses import replace

import pytest

from weirwatch.cli.words import limit_text, rounded, value_text
from weirwatch.domain.reading import Channel

SALINITY = Channel("hall/node/salinity", "salinity", "psu", resolution=0.01)
LEVEL = Channel("hall/node/level", "level", "mm")
FLOOR = Channel("hall/node/floor", "switch", "", states=("wet", "dry"))


@pytest.mark.parametrize(
    ("value", "channel", "shown"),
    [
        (35.0128, SALINITY, 35.01),
        (299.96, LEVEL, 300.0),
        (30.54, replace(LEVEL, unit="cm"), 30.5),
        (35.0128, None, 35.0128),
        (True, FLOOR, True),
        (None, SALINITY, None),
    ],
)
def test_no_more_decimals_than_the_channel_can_show(
    value: float | bool | None, channel: Channel | None, shown: float | bool | None
) -> None:
    assert rounded(value, channel) == shown


def test_a_switch_is_said_by_its_own_words() -> None:
    assert value_text(1.0, "", FLOOR.states) == "dry"
    assert limit_text(False, "", FLOOR.states) == "wet"
    assert limit_text(False, "") == "off"
    assert limit_text(3.5, "mm", None) == "3.5 mm"
