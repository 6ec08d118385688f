"""What `check --suggest` writes covers a plant on its first day, and is in order as it stands."""

from collections.abc import Callable
from pathlib import Path

import pytest

from weirwatch.cli.demo_plant import demo_config
from weirwatch.config import check, load, suggest
from weirwatch.domain.rule import Absolute, SwitchIs

Write = Callable[[str], Path]

# The demo without its rules: plant, channels and nothing that watches them.
HALL = demo_config().read_text("utf-8").split("# --- power ---")[0]


def test_a_plant_without_rules_gets_one_for_every_failure_that_its_channels_can_show(
    write: Write,
) -> None:
    bare = write(HALL)
    assert "there is none: nothing is watched" in check(bare).warnings[0]
    tables = suggest(bare)
    whole = write(HALL + "\n\n".join(tables))
    report = check(whole)
    assert report.errors == ()
    (doubt,) = [line for line in report.warnings if "failures have no rule" in line]
    left = doubt.split("no rule: ")[1].split(".")[0].split(", ")
    # No probe for these, or (skimmer) a limit that only the keeper can give.
    wanted = "return-pump-stopped floor-leak vessel-leaking mains-restored mains-unstable"
    assert not {*wanted.split(), "light-stuck", "probe-silent", "probe-drift"} & {*left}
    assert "skimmer-flow-lost" in left
    rules = {rule.id: rule for rule in load(whole).rules}
    assert rules["floor-leak"].condition == SwitchIs(False)  # the channel is called floor-dry
    assert {"light-stuck-lights-on", "light-stuck-lights-off"} <= rules.keys()
    assert "mains-lost" in rules["return-pump-stopped"].suppressed_by
    assert rules["reactor-co2-runaway"].channel == "harbour-hall/sump-node/reactor-ph"
    assert rules["ph-high"].channel == "harbour-hall/sump-node/ph"
    still = suggest(whole)  # what waits for the keeper's numbers: remarks, line by line
    assert all(line.startswith("#") for table in still for line in table.splitlines())
    assert {table.split(":")[0] for table in still} == {
        "# skimmer-flow-lost", "# circulation-lost"
    }  # fmt: skip


def test_what_must_be_given_is_written_as_a_remark(write: Write) -> None:
    (skimmer,) = (t for t in suggest(write(HALL)) if t.startswith("# skimmer-flow-lost"))
    assert all(line.startswith("#") for line in skimmer.splitlines())
    assert skimmer.endswith("# add low and deadband, and take the marks away")


def test_without_a_plant_a_vessel_called_by_its_role_plays_it(write: Write) -> None:
    level = """
[[system]]
id = "hall"
[[channel]]
id = "hall/node/level"
quantity = "level"
unit = "cm"
expected_every_s = 5
"""
    in_sump = suggest(write(level + 'vessel = "sump"\n'))
    (low,) = (table for table in in_sump if table.startswith("# sump-low"))
    assert low.endswith("# add low and deadband, and take the marks away")
    elsewhere = suggest(write(level + 'vessel = "north"\n'))
    assert not [table for table in elsewhere if "sump" in table]


def test_a_watched_channel_whose_silence_nobody_tells_is_a_doubt_with_its_rule(
    write: Write,
) -> None:
    text = demo_config().read_text("utf-8")
    assert text.count('id = "ammonia-silent"') == 1
    cut = text.replace(
        """[[rule]]
id = "ammonia-silent"
from_catalogue = "probe-silent"
channel = "harbour-hall/sump-node/ammonia"
title = "Ammonia silent"
""",
        "",
    )
    blind = write(cut)
    (doubt,) = check(blind).warnings
    assert "nothing tells when harbour-hall/sump-node/ammonia falls silent" in doubt
    (table,) = (t for t in suggest(blind) if "sump-node/ammonia" in t)
    mended = write(f"{cut}\n{table}\n")
    assert check(mended).warnings == ()
    silence = next(r for r in load(mended).rules if r.id == "probe-silent-ammonia")
    assert silence.channel == "harbour-hall/sump-node/ammonia"


def channel(ident: str, quantity: str, unit: str, *more: str) -> str:
    lines = ["[[channel]]", f'id = "{ident}"', f'quantity = "{quantity}"', f'unit = "{unit}"']
    return "\n".join([*lines, "expected_every_s = 15", *more, "\n"])


def own(*channels: str) -> str:
    """Return the plant of the demo with other channels."""
    plant = HALL[HALL.index("[plant]") : HALL.index("# --- the channels")]
    plant = "\n".join(line for line in plant.splitlines() if not line.startswith("level_channel"))
    return HALL[: HALL.index("[broker]")] + "\n".join(
        ["[[system]]", 'id = "harbour-hall"', plant, *channels]
    )


def test_limits_of_both_sides_are_written_in_the_channel_s_own_unit(write: Write) -> None:
    water = channel("harbour-hall/box/water", "temperature", "degF", 'vessel = "north"')
    text = own(water)
    whole = write(text + "\n\n".join(suggest(write(text))))
    assert check(whole).errors == ()
    limits = {
        rule.id: rule.condition.limit
        for rule in load(whole).rules
        if isinstance(rule.condition, Absolute) and rule.failure == "temperature-extreme"
    }
    assert limits == {
        "temperature-extreme-water-high": pytest.approx(29 * 1.8 + 32),
        "temperature-extreme-water-low": pytest.approx(22.5 * 1.8 + 32),
    }


def test_channels_of_one_name_on_several_nodes_get_a_rule_each(write: Write) -> None:
    text = own(
        *(
            channel(f"harbour-hall/{node}/surface", "level", "mm", f'vessel = "{node}"')
            for node in ("north", "south")
        )
    )
    whole = write(text + "\n\n".join(suggest(write(text))))
    assert check(whole).errors == ()
    watched = {r.channel for r in load(whole).rules if r.failure == "overflow-blocked"}
    assert watched == {"harbour-hall/north/surface", "harbour-hall/south/surface"}
    assert not any("a notice would not say which" in line for line in check(whole).warnings)


def test_a_rule_that_needs_a_while_which_nothing_gives_is_a_remark(write: Write) -> None:
    """No probe lies in the heaters' vessel: what is warm there nobody can say but the keeper."""
    text = own(channel("harbour-hall/box/heater-power", "power", "W"))
    tables = suggest(write(text))
    (stuck,) = (table for table in tables if table.startswith("# heater-stuck-on"))
    assert stuck.endswith("# add while, and take the marks away")
    assert check(write(text + "\n\n".join(tables))).errors == ()


def test_levels_of_different_vessels_are_no_twins(write: Write) -> None:
    """Their vessels name them, and not they their vessels."""
    text = own(
        *(channel(f"harbour-hall/box/{name}", "level", "mm") for name in ("north-a", "south-a"))
    )
    for name in ("north", "south"):
        level = f'level_channel = "harbour-hall/box/{name}-a"'
        text = text.replace(f'id = "{name}"\n', f'id = "{name}"\n{level}\n')
    assert not any(table.startswith("# probe-drift") for table in suggest(write(text)))
