"""What is allowed but doubtful gets a warning, and what is in order gets none."""

from collections.abc import Callable
from pathlib import Path

import pytest

from weirwatch.config import check
from weirwatch.config.default_failure import failure_of
from weirwatch.config.models import ChannelConfig
from weirwatch.config.rule_models import KINDS, RuleConfig

Write = Callable[[str], Path]


def warnings(path: Path) -> list[str]:
    report = check(path)
    assert report.errors == ()
    return [line.removeprefix(f"{path}: ") for line in report.warnings]


def test_a_file_in_order_is_only_told_what_it_does_not_cover(write: Write, good: str) -> None:
    told = warnings(write(good))
    assert len(told) == 1
    assert told[0].startswith("rule: 39 of 47 failures have no rule: ")
    assert "sump-high" not in told[0]
    assert "broker-lost" not in told[0]


def test_two_rules_with_one_title_are_told_of_each_other(write: Write, good: str) -> None:
    rule = good[good.index("[[rule]]") :]
    named = rule.replace("failure =", 'title = "Sump high"\nfailure =')
    other = named.replace("sump-level-high", "again").replace("high = 310", "high = 320")
    text = good.replace(rule, named)
    (doubt,) = [line for line in warnings(write(text + other)) if "title" in line]
    assert doubt == (
        'rule "again": title = "Sump high": is that of rule "sump-level-high" too: a notice would'
        " not say which of them it is. Say in each title what it watches."
    )
    apart = other.replace("Sump high", "Sump very high")
    assert not [line for line in warnings(write(text + apart)) if "title" in line]


@pytest.mark.parametrize(
    ("old", "new", "told"),
    [
        ('failure = "sump-high"\n', "", 'failure: is missing and taken as "sump-high". Add failu'),
        ("high = 310", "high = 500", "high = 500.0: lies outside the channel's valid range [0, 4"),
        ("high = 310", "high = 5", "deadband = 10.0: puts the return at -5, outside the channel'"),
        ("deadband = 10\n", "", "deadband: is 0 on a measured value. A noisy value on the limit"),
        ('response = "Look at the sump camera."\n', "", "response: is missing. Say what to do abo"),
        ("on_delay_s = 30", "hold_off_s = 30", "hold_off_s = 30.0: does nothing without suppress"),
        ('quantity = "flow"', 'quantity = "flows"', 'If you mean "flow", write that'),
    ],
)
def test_one_doubt(write: Write, good: str, old: str, new: str, told: str) -> None:
    assert old in good
    found = [line for line in warnings(write(good.replace(old, new))) if told in line]
    assert len(found) == 1


RATE = "rate-of-change", "rise = 5"


@pytest.mark.parametrize(
    ("kind", "limit", "window", "deadband", "told"),
    [
        (*RATE, 20, 4.9, ""),
        (*RATE, 19, 1, "window_s = 19.0: is shorter than 4 readings"),
        (*RATE, 60, 5, "deadband = 5.0: is not smaller than the limit"),
        ("rate-of-change", "rise = 9\nfall = 5", 60, 6, "deadband = 6.0: is not smaller than"),
        ("forecast", "high = 310\nwithin_s = 60", 20, None, ""),
        ("forecast", "high = 310\nwithin_s = 60", 19, None, "window_s = 19.0: is shorter"),
    ],
)
def test_windows_and_deadbands_of_change(
    write: Write, good: str, kind: str, limit: str, window: int, deadband: float | None, told: str
) -> None:
    band = "" if deadband is None else f"\ndeadband = {deadband}"
    text = good.replace('kind = "absolute"', f'kind = "{kind}"')
    text = text.replace("high = 310\ndeadband = 10", f"{limit}\nwindow_s = {window}{band}")
    found = warnings(write(text))[:-1]  # the last: what is not covered
    assert len(found) == (1 if told else 0)
    assert all(told in line for line in found)


@pytest.mark.parametrize(
    ("response", "word"),
    [
        ("Unplug the heater.", "unplug"),
        ("Reach into the sump.", "reach"),
        ("Reset the breaker.", "reset"),
        ("Bypass the float.", "bypass"),
        ("Open the valve.", "open"),
        ("Keep resetting it.", "resetting"),
        ("UNPLUGGING helps.", "unplugging"),
    ],
)
def test_a_response_that_calls_for_hands_is_doubted(
    write: Write, good: str, response: str, word: str
) -> None:
    text = good.replace("Look at the sump camera.", response)
    assert f'rule "sump-level-high": response: says {word}' in warnings(write(text))[0]


@pytest.mark.parametrize("response", ["A cheap preset.", "The sump bypasser.", "Openness is good."])
def test_words_inside_words_are_no_reason(write: Write, good: str, response: str) -> None:
    assert len(warnings(write(good.replace("Look at the sump camera.", response)))) == 1


def many(priorities: list[str], failure: str) -> str:
    return "".join(
        f'[[rule]]\nid = "r{at}"\nkind = "absolute"\nchannel = "hall/power-node/mains"\nis = true\n'
        f'priority = "{priority}"\nfailure = "{failure}"\nresponse = "Look."\n'
        for at, priority in enumerate(priorities)
    )


def test_too_many_critical_rules_are_doubted_bold_ones_not_counted(write: Write, good: str) -> None:
    told = warnings(write(good + many(["critical"] * 3 + ["low"] * 6, "sump-low")))
    assert told[0].startswith("rule: priority: 3 of 10 rules are critical: r0, r1, r2. About 80")
    told = warnings(write(good + many(["high"] * 3 + ["low"] * 6, "sump-low")))
    assert told[0].startswith("rule: priority: 3 of 10 rules are high or critical")
    assert len(warnings(write(good + many(["critical"] * 9, "floor-leak")))) == 1
    fine = many(["critical", "high"] + ["low"] * 9, "sump-low")
    assert len(warnings(write(good + fine))) == 1


def test_without_a_rule_nothing_is_watched(write: Write, good: str) -> None:
    assert warnings(write(good.split("[[rule]]")[0])) == [
        "rule: there is none: nothing is watched. Add [[rule]]."
    ]


KNOWN = {"floor-leak": True, "sump-high": False, "sump-low": False}


def test_a_missing_failure_is_taken_from_id_then_kind_then_quantity() -> None:
    level = ChannelConfig.model_validate({"id": "a/b/c", "quantity": "level", "unit": "mm"})

    def failure(keys: dict[str, object], channel: ChannelConfig | None = level) -> str:
        rule = KINDS[str(keys["kind"])].model_validate({"id": "x", "channel": "a/b/c"} | keys)
        assert isinstance(rule, RuleConfig)
        return failure_of(rule, channel, KNOWN)

    assert failure({"kind": "absolute", "high": 1.0, "id": "floor-leak"}) == "floor-leak"
    assert failure({"kind": "absolute", "high": 1.0}) == "sump-high"
    assert failure({"kind": "absolute", "low": 1.0}) == "sump-low"
    assert failure({"kind": "absolute", "low": 1.0}, None) == "probe-drift"
    assert failure({"kind": "bad-measurement", "silent": True}) == "probe-silent"
    assert failure({"kind": "bad-measurement", "frozen_s": 9.0}) == "probe-frozen"


def test_two_taps_on_one_measured_channel_are_told_of_each_other(write: Write, good: str) -> None:
    tap = '[[tap]]\ntopic = "esp/{}"\nchannel = "hall/{}"\n'
    level = tap.format("one", "sump-node/level")
    switch = tap.format("on", "power-node/mains") + tap.format("off", "power-node/mains")

    def doubts(text: str) -> list[str]:
        return [line for line in warnings(write(good + text)) if "tap[" in line]

    assert doubts(level + tap.format("two", "sump-node/flow") + switch) == []
    assert doubts(level + tap.format("two", "sump-node/level")) == [
        'tap[2].channel = "hall/sump-node/level": is fed by tap[1] as well, from esp/one. Give each'
        " probe a channel of its own; leave one tap out if they are the same."
    ]
