"""A right file becomes settings: defaults, every kind of rule, paths and overrides."""

import tomllib
from collections.abc import Callable
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest

from weirwatch.config import Overrides, check, load
from weirwatch.config.rule_checks import NOT_YET
from weirwatch.config.rule_models import KINDS, RuleConfig
from weirwatch.domain import conditions
from weirwatch.domain import rule as domain
from weirwatch.domain.errors import ConfigError
from weirwatch.domain.instant import SECOND
from weirwatch.domain.reading import Channel
from weirwatch.settings import RecipientSettings

Write = Callable[[str], Path]

SMALLEST = """\
[[system]]
id = "hall"
[[channel]]
id = "hall/sump-node/level"
quantity = "level"
unit = "mm"
[[rule]]
id = "sump-level-high"
kind = "absolute"
channel = "hall/sump-node/level"
high = 310
"""


def test_one_system_one_channel_and_one_rule_are_enough(write: Write, tmp_path: Path) -> None:
    settings = load(write(SMALLEST))
    assert settings.service.data_dir == tmp_path / "data"
    assert settings.service.commit_every == 5 * SECOND
    assert settings.service.commit_unacked is None
    assert settings.service.skew_future == 60 * SECOND
    assert settings.service.time_zone == ZoneInfo("UTC")
    assert settings.broker.url == "auto"
    assert settings.broker.listen == ("127.0.0.1", 1883)
    assert (settings.broker.root, settings.broker.protocol) == ("weirwatch", "3.1.1")
    assert settings.broker.client_id == "weirwatch-core"
    assert (settings.web.host, settings.web.port) == ("127.0.0.1", 8080)
    assert settings.recipients == (RecipientSettings("console", "console"),)
    assert settings.plant is None
    assert settings.systems[0].title == "Hall"
    assert settings.channels == (Channel("hall/sump-node/level", "level", "mm"),)
    rule = settings.rules[0]
    assert rule.condition == domain.Absolute(domain.Side.HIGH, 310.0, 0.0)
    assert rule.title == "Sump level high"
    assert rule.priority is domain.Priority.MEDIUM
    assert (rule.on_delay, rule.off_delay, rule.re_alarm, rule.hold_off) == (0, 0, 0, 0)
    assert rule.shelve_max == 720 * 60 * SECOND
    assert (rule.failure, rule.bold, rule.latching) == ("sump-high", False, False)


def test_every_key_of_a_channel_arrives(write: Write, good: str) -> None:
    channel = load(write(good)).channels[0]
    assert channel.expected_every == 5 * SECOND
    assert channel.silent_after == 15 * SECOND  # three times
    assert channel.valid == (0.0, 450.0)
    text = good.replace("valid =", 'silent_after_s = 40\nwarm_up_s = 30\ntitle = "T"\nvalid =')
    more = "resolution = 0.5\nmax_change_per_s = 2\nfrozen_after_s = 60\n"
    channel = load(write(text.replace("valid =", more + "valid ="))).channels[0]
    assert (channel.silent_after, channel.warm_up) == (40 * SECOND, 30 * SECOND)
    assert (channel.title, channel.resolution) == ("T", 0.5)
    assert (channel.max_change_per_s, channel.frozen_after) == (2.0, 60 * SECOND)


def test_a_switch_may_have_words_of_its_own(write: Write, good: str) -> None:
    assert {channel.states for channel in load(write(good)).channels} == {("off", "on")}
    named = good.replace('"switch"', '"switch"\nstates = ["wet", "dry"]')
    assert [c.states for c in load(write(named)).channels if c.is_switch] == [("wet", "dry")]


EVERY_KIND = [
    ('kind = "absolute"\nlow = 100', "level", domain.Absolute(domain.Side.LOW, 100.0)),
    ('kind = "absolute"\nis = false', "mains", domain.SwitchIs(value=False)),
    (
        'kind = "deviation"\nfrom = 200\nlimit = 20\ndeadband = 2',
        "level",
        domain.Deviation(20.0, 2.0, set_value=200.0),
    ),
    (
        'kind = "deviation"\nfrom = "hall/sump-node/twin"\nlimit = 20',
        "level",
        domain.Deviation(20.0, twin="hall/sump-node/twin"),
    ),
    (
        'kind = "rate-of-change"\nrise = 5\nfall = 7\nwindow_s = 60',
        "level",
        domain.RateOfChange(60 * SECOND, 5.0, 7.0),
    ),
    (
        'kind = "discrepancy"\nexpected = true\nwithin_s = 60',
        "mains",
        domain.Discrepancy(60 * SECOND, expected=True),
    ),
    (
        'kind = "discrepancy"\nexpected_min = 10\nexpected_max = 400\nwithin_s = 9\ndeadband = 1',
        "level",
        domain.Discrepancy(9 * SECOND, minimum=10.0, maximum=400.0, deadband=1.0),
    ),
    (
        'kind = "bad-measurement"\nsilent = true\nfrozen_s = 600\noutside_valid = true',
        "level",
        domain.BadMeasurement(silent=True, frozen=600 * SECOND, outside_valid=True),
    ),
    (
        'kind = "duty"\non_for_s = 600\nstarts = 9\nwindow_s = 3600',
        "mains",
        domain.Duty(3600 * SECOND, 600 * SECOND, 9),
    ),
    (
        'kind = "forecast"\nhigh = 310\nwithin_s = 86400\nwindow_s = 3600',
        "level",
        domain.Forecast(domain.Side.HIGH, 310.0, 86_400 * SECOND, 3600 * SECOND),
    ),
]


@pytest.mark.parametrize(("keys", "channel", "condition"), EVERY_KIND)
def test_every_kind_of_rule_becomes_its_condition(
    write: Write, good: str, keys: str, channel: str, condition: domain.Condition
) -> None:
    node = "power-node" if channel == "mains" else "sump-node"
    if keys.split('"')[1] in NOT_YET:
        model = KINDS[keys.split('"')[1]]
        config = model.model_validate({"id": "r", "channel": "a/b/c"} | tomllib.loads(keys))
        assert isinstance(config, RuleConfig)
        assert config.condition() == condition
        return
    twin = '[[channel]]\nid = "hall/sump-node/twin"\nquantity = "level"\nunit = "mm"\n'
    text = f'{good}\n{twin}\n[[rule]]\nid = "r"\nchannel = "hall/{node}/{channel}"\n{keys}\n'
    rules = {rule.id: rule for rule in load(write(text)).rules}
    assert rules["r"].condition == condition
    assert rules["r"].kind == keys.split('"')[1]


def test_while_takes_switches_limits_alarms_and_times(write: Write, good: str) -> None:
    text = good.replace(
        "deadband = 10",
        "deadband = 10\n"
        'while = [{ channel = "hall/power-node/mains", is = true }, '
        '{ channel = "hall/sump-node/flow", above = 500 }, '
        '{ channel = "hall/sump-node/flow", below = 0 }, '
        '{ alarm = "broker-lost" }, { between = ["22:30", "06:05"] }]',
    )
    assert load(write(text)).rules[0].while_ == (
        domain.ChannelIs("hall/power-node/mains", value=True),
        domain.ChannelBeyond("hall/sump-node/flow", domain.Side.HIGH, 500.0),
        domain.ChannelBeyond("hall/sump-node/flow", domain.Side.LOW, 0.0),
        domain.AlarmStands("broker-lost"),
        domain.Between(22 * 60 + 30, 6 * 60 + 5),
    )


def test_a_bold_failure_is_critical_and_alarms_again(write: Write, good: str) -> None:
    rule = load(write(good.replace("sump-high", "overflow-blocked"))).rules[0]
    assert rule.bold
    assert rule.priority is domain.Priority.CRITICAL
    assert rule.re_alarm == 14_400 * SECOND
    calm = good.replace('"sump-high"', '"overflow-blocked"\npriority = "high"')
    assert load(write(calm)).rules[0].re_alarm == 0
    own = good.replace('"sump-high"', '"overflow-blocked"\nre_alarm_s = 0')
    assert load(write(own)).rules[0].re_alarm == 0


def test_paths_start_at_the_folder_of_the_file(write: Write, good: str, tmp_path: Path) -> None:
    (tmp_path / "login.toml").write_text('username = "a"\npassword = "b"\n')
    (tmp_path / "ca.pem").write_text("x")
    text = (
        '[service]\ndata_dir = "../elsewhere"\n'
        '[broker]\nurl = "mqtts://host"\nprotocol = "5"\ncredentials_file = "login.toml"\n'
        'ca_file = "ca.pem"\nroot = "a/b"\nlisten = "127.0.0.1:0"\n'
        '[[recipient]]\nid = "log"\nkind = "file"\npath = "out/notices.jsonl"\n'
    )
    settings = load(write(text + good))
    assert settings.service.data_dir == (tmp_path / "../elsewhere").resolve()
    assert settings.broker.credentials_file == tmp_path / "login.toml"
    assert settings.broker.ca_file == tmp_path / "ca.pem"
    assert settings.broker.client_id == "a-b-core"
    assert settings.broker.listen == ("127.0.0.1", 0)
    assert settings.recipients == (
        RecipientSettings("log", "file", tmp_path / "out/notices.jsonl"),
    )


def test_overrides_are_louder_than_the_file_and_checked_like_it(
    write: Write, good: str, tmp_path: Path
) -> None:
    path = write('[service]\ndata_dir = "x"\ncommit_every_s = 1\n' + good)
    settings = load(
        path,
        Overrides(
            data_dir=tmp_path / "mine",
            web_listen="127.0.0.1:0",
            broker_url="mqtt://127.0.0.1:1884",
            broker_listen="127.0.0.1:0",
        ),
    )
    assert settings.service.data_dir == tmp_path / "mine"
    assert settings.service.commit_every == SECOND
    assert settings.web.port == 0
    assert settings.broker.url == "mqtt://127.0.0.1:1884"
    with pytest.raises(ConfigError, match=r"web\.listen"):
        load(path, Overrides(web_listen="0.0.0.0"))


def test_a_tap_lowers_its_words(write: Write, good: str) -> None:
    tap = (
        '[[tap]]\ntopic = "valves/+/state"\nchannel = "hall/power-node/mains"\n'
        'pointer = "/a~1b"\ntime_pointer = ""\nscale = 2\noffset = -1\n'
        "words = { Open = 1, SHUT = false }\n"
    )
    settings = load(write(good + tap))
    assert settings.taps[0].words == {"open": 1.0, "shut": 0.0}
    assert (settings.taps[0].scale, settings.taps[0].offset) == (2.0, -1.0)


def test_a_taps_unit_must_become_the_channels(write: Write, good: str) -> None:
    tap = '[[tap]]\ntopic = "a"\nchannel = "hall/sump-node/level"\nunit = "cm"\n'
    assert load(write(good + tap)).taps[0].unit == "cm"
    report = check(write(good + tap.replace('"cm"', '"kg"')))
    assert 'tap[1].unit = "kg": cannot become the channel\'s mm' in report.errors[0]


def test_the_byte_order_mark_of_some_editors_is_welcome(good: str, tmp_path: Path) -> None:
    path = tmp_path / "bom.toml"
    path.write_text(good, "utf-8-sig")
    assert load(path).systems[0].id == "hall"


def test_what_the_engine_does_not_judge_is_refused(write: Write, good: str) -> None:
    """A rule that never sounds would be worse than none."""
    judged = set(conditions._EVALUATORS)
    for keys, channel, condition in EVERY_KIND:
        kind = keys.split('"')[1]
        assert (kind in NOT_YET) is (type(condition) not in judged), kind
        if kind in NOT_YET:
            node = "power-node" if channel == "mains" else "sump-node"
            text = f'{good}\n[[rule]]\nid = "r"\nchannel = "hall/{node}/{channel}"\n{keys}\n'
            errors = check(write(text)).errors
            assert len(errors) == 1
            assert f'rule "r": kind = "{kind}": is not judged by this version yet' in errors[0]
