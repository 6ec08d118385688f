"""A small right configuration, and files made of it."""

from collections.abc import Callable
from pathlib import Path

import pytest

GOOD = """\
[[system]]
id = "hall"

[[channel]]
id = "hall/sump-node/level"
quantity = "level"
unit = "mm"
expected_every_s = 5
valid = [0, 450]

[[channel]]
id = "hall/sump-node/flow"
quantity = "flow"
unit = "L/h"

[[channel]]
id = "hall/power-node/mains"
quantity = "switch"

[[rule]]
id = "sump-level-high"
kind = "absolute"
channel = "hall/sump-node/level"
high = 310
deadband = 10
on_delay_s = 30
failure = "sump-high"
response = "Look at the sump camera."
"""

Write = Callable[[str], Path]


@pytest.fixture
def good() -> str:
    return GOOD


@pytest.fixture
def write(tmp_path: Path) -> Write:
    def write_file(text: str) -> Path:
        path = tmp_path / "weirwatch.toml"
        path.write_text(text, "utf-8")
        return path

    return write_file
