"""`[[device]]`: where-is-it facts, by rule or by failure, and the mistakes one can make."""

from collections.abc import Callable
from pathlib import Path

import pytest

from weirwatch.config import check, load
from weirwatch.domain.devices import devices_of, where_text

HALL = """
[[system]]
id = "hall"
[[channel]]
id = "hall/node/level"
quantity = "level"
unit = "mm"
[[channel]]
id = "hall/node/flow"
quantity = "flow"
unit = "L/h"
[[rule]]
id = "sump-full"
kind = "absolute"
channel = "hall/node/level"
high = 300
failure = "sump-high"
[[rule]]
id = "no-flow"
kind = "absolute"
channel = "hall/node/flow"
low = 300
failure = "return-pump-stopped"
[[device]]
id = "return-pump"
"""
Write = Callable[[str], Path]


@pytest.fixture
def write(tmp_path: Path) -> Write:
    def write(text: str) -> Path:
        path = tmp_path / "weirwatch.toml"
        path.write_text(HALL + text)
        return path

    return write


def test_the_facts_of_a_device_named_by_rule_and_by_failure(write: Write) -> None:
    settings = load(
        write(
            """
rules = ["sump-full", "return-pump-stopped"]
place = "in the sump"
breaker = "no. 4 in the passage"
rcd = "no. 2 there"
valve = "red, above the pump"
stop_cock = "under the sink"
"""
        )
    )
    (device,) = settings.devices
    assert device.rules == {"sump-full", "no-flow"}
    assert where_text(device) == (
        "Return pump – stands: in the sump, breaker: no. 4 in the passage, RCD: no. 2 there, "
        "valve: red, above the pump, stop-cock: under the sink."
    )
    about = {rule.id for rule in settings.rules if devices_of(rule, settings.devices)}
    assert about == {"sump-full", "no-flow"}


def test_built_in_rules_have_devices_too(write: Write) -> None:
    settings = load(write('rules = ["node-offline/node"]\nbreaker = "no. 1"\n'))
    assert settings.devices[0].rules == {"node-offline/node"}


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ('rules = ["sump-ful"]\nbreaker = "no. 1"\n', '"sump-ful": is no rule and no failure'),
        ('rules = ["sump-full"]\n', "all the other places are missing"),
        ('rules = []\nbreaker = "no. 1"\n', "rules"),
        ('rules = ["sump-full"]\nbreaker = "a\\nb"\n', "control characters"),
        ('rules = ["sump-full"]\nfuse = "no. 1"\n', "fuse"),
    ],
)
def test_mistakes_are_named(write: Write, text: str, words: str) -> None:
    (error,) = check(write(text)).errors
    assert words in error
    assert "return-pump" in error
