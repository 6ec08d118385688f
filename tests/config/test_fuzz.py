"""Whatever stands in the file: settings or a ConfigError, never anything else."""

from collections.abc import Callable
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from weirwatch.config import check, load
from weirwatch.config.catalogue import load_catalogue
from weirwatch.domain.book import make_ready
from weirwatch.domain.errors import ConfigError
from weirwatch.domain.failures import Catalogue
from weirwatch.domain.rule import RuleBook
from weirwatch.settings import Settings

LINES = (
    (Path(__file__).parents[2] / "deploy" / "starter.toml").read_text().splitlines()
    + """\
[plant]
salinity = 35
[[plant.vessel]]
id = "sump"
role = "sump"
volume_l = 420
working_l = 300
area_m2 = 1.0
height_m = 0.42
level_channel = "harbour-hall/sump-node/level"
[[plant.vessel]]
id = "reservoir"
role = "reservoir"
volume_l = 120
area_m2 = 0.2
height_m = 0.62
[plant.pump]
flow_l_h = 6000
static_head_m = 1.9
shutoff_head_m = 4.5
pipe_m = 8.0
pipe_d_m = 0.04
power_w = 110
[[plant.loop]]
id = "uv"
feeds = "sump"
flow_l_h = 1000
[[plant.heater]]
id = "h"
vessel = "sump"
power_w = 300
set_degc = 25
[plant.top_off]
reservoir = "reservoir"
rate_l_h = 30
set_level_mm = 300
[[tap]]
topic = "a/b"
channel = "harbour-hall/sump-node/level"
pointer = "/x"
words = { open = 1 }
[[recipient]]
id = "f"
kind = "file"
path = "x"
[[rule]]
id = "d"
kind = "deviation"
channel = "harbour-hall/sump-node/level"
from = 3
limit = 2
while = [{ alarm = "sump-high" }, { between = ["08:00", "20:00"] }]
[[rule]]
id = "q"
kind = "discrepancy"
channel = "harbour-hall/sump-node/floor-dry"
expected = true
within_s = 100
suppressed_by = ["broker-lost"]
[[rule]]
id = "disk-full"
kind = "system"
priority = "low"
""".splitlines()
)

VALUES = st.sampled_from(
    [
        *("-1", "0", "1", "1.5", "1e308", "-1e308", "nan", "-inf", "true", "false", '""', '"x"'),
        *(
            "[]",
            "[1]",
            "[[]]",
            "{}",
            "{ a = 1 }",
            "[{}]",
            '"forecast"',
            '"duty"',
            '[{ between = ["1"] }]',
            '["d"]',
        ),
        *("2026-01-01T00:00:00Z", "08:00:00", "99999999999999999999999999", '"a/b/c"', '"\\u0000"'),
        *('"harbour-hall/sump-node/level"', '"d"', '"absolute"', '"Cel"', '["r", "q", "u"]'),
        *('"../../etc"', '"mqtt://["', '"[::1]:1"', '"a:b:c"', "'''\n'''", '"é🌊"', '"\\ud7ff"'),
    ]
)
KEYS = st.sampled_from(
    [line.split(" = ")[0] for line in LINES if " = " in line] + ["is", "x", "kind", '""', "a.b"]
)


@st.composite
def mutations(draw: Callable[[st.SearchStrategy[object]], object]) -> str:
    lines = list(LINES)
    for _ in range(draw(st.integers(1, 6))):  # type: ignore[call-overload]
        at = draw(st.integers(0, len(lines) - 1))
        assert isinstance(at, int)
        what = draw(st.sampled_from(["value", "key", "drop", "double", "swap", "add", "text"]))
        key, _, value = lines[at].partition(" = ")
        if what == "value":
            lines[at] = f"{key} = {draw(VALUES)}"
        elif what == "key":
            lines[at] = f"{draw(KEYS)} = {value}"
        elif what == "drop":
            del lines[at]
        elif what == "double":
            lines.insert(at, lines[at])
        elif what == "swap":
            lines.append(lines.pop(at))
        elif what == "add":
            lines.insert(at, f"{draw(KEYS)} = {draw(VALUES)}")
        else:
            lines[at] += str(draw(st.text(max_size=8)))
    return "\n".join(lines)


@pytest.fixture(scope="module")
def catalogue() -> Catalogue:
    return load_catalogue()


def attempt(path: Path, catalogue: Catalogue) -> Settings | ConfigError:
    try:
        return load(path, catalogue=catalogue)
    except ConfigError as error:
        return error


def test_the_file_that_is_mutated_is_right(tmp_path: Path, catalogue: Catalogue) -> None:
    path = tmp_path / "weirwatch.toml"
    path.write_text("\n".join(LINES), "utf-8")
    assert check(path, catalogue=catalogue).errors == ()


@settings(
    max_examples=400,
    deadline=None,
    suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow],
)
@given(text=mutations())
def test_a_mutated_file_gives_settings_or_a_config_error(
    tmp_path: Path, catalogue: Catalogue, text: str
) -> None:
    path = tmp_path / "weirwatch.toml"
    path.write_bytes(text.encode("utf-8", "surrogatepass"))
    loaded = attempt(path, catalogue)
    if isinstance(loaded, ConfigError):
        assert loaded.problems
        for problem in loaded.problems:
            assert problem.startswith(str(path))
            assert problem.endswith((".", "?")) or "Look at:" in problem
        return
    # What loads is also what the engine takes.
    make_ready(
        RuleBook(
            rules={rule.id: rule for rule in loaded.rules},
            channels={channel.id: channel for channel in loaded.channels},
            time_zone=loaded.service.time_zone,
        )
    )
    assert len({rule.id for rule in loaded.rules}) == len(loaded.rules)
    assert check(path, catalogue=catalogue).errors == ()


@settings(
    max_examples=100,
    deadline=None,
    suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow],
)
@given(data=st.binary(max_size=200))
def test_any_bytes_give_a_config_error(tmp_path: Path, catalogue: Catalogue, data: bytes) -> None:
    path = tmp_path / "weirwatch.toml"
    path.write_bytes(data)
    with pytest.raises(ConfigError):
        load(path, catalogue=catalogue)
