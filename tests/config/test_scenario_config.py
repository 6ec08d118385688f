"""A scenario file: what it means, and that every mistake is named with its cure."""

import json
from datetime import UTC, datetime
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from weirwatch.config.scenario_checks import FaultTrait, Playable
from weirwatch.config.scenario_config import ScenarioSettings, load_scenario
from weirwatch.config.scenario_models import seconds_of
from weirwatch.domain.errors import ConfigError
from weirwatch.domain.instant import SECOND

OSLO = ZoneInfo("Europe/Oslo")
PLAYABLE = Playable(
    faults={
        "mains-lost": FaultTrait("", graded=False, creeps=False),
        "mains-restored": FaultTrait("", graded=True, creeps=False),
        "overflow-blocked": FaultTrait("vessel", graded=True, creeps=True),
        "probe-silent": FaultTrait("channel", graded=False, creeps=False),
        "doser-stuck-on": FaultTrait("", graded=False, creeps=False, missing="no channel"),
    },
    composed={"sump-high": "Write an entry each"},
    acts=("feeding", "water-change"),
    targets={"vessel": ("north", "south"), "channel": ("hall/sump-node/level",)},
    system="hall",
    failures={"mains-lost", "sump-high", "overflow-blocked", "disk-full"},
)
HEAD = '[scenario]\nlasts = "2 h"\n'


def loaded(folder: Path, text: str) -> ScenarioSettings:
    file = folder / "a-bad-night.toml"
    file.write_text(text, encoding="utf-8")
    return load_scenario(file, PLAYABLE, OSLO)


def complaints(folder: Path, text: str) -> list[str]:
    """Return what is said, without the file's name, which must begin each."""
    with pytest.raises(ConfigError) as caught:
        loaded(folder, text)
    file = f"{folder / 'a-bad-night.toml'}: "
    assert all(problem.startswith(file) for problem in caught.value.problems)
    return [problem.removeprefix(file) for problem in caught.value.problems]


def test_a_short_file_means_the_usual_evening(tmp_path: Path) -> None:
    found = loaded(tmp_path, HEAD + '[[entry]]\nat = 0\nfault = "mains-lost"\n')
    assert found.title == "A bad night"
    assert (found.seed, found.lasts_s, found.every_s) == (1, 7200.0, None)
    evening = datetime(2026, 1, 1, 20, tzinfo=OSLO)
    assert found.start == round(evening.timestamp()) * SECOND
    assert (found.utc_offset_h, found.room_degc, found.room_shift_k) == (1.0, None, 0.0)
    (entry,) = found.entries
    assert (entry.at_s, entry.fault, entry.act) == (0.0, "mains-lost", "")
    assert (entry.severity, entry.onset_s, entry.repaired_after_s) == (None, 0.0, None)


def test_every_key_is_taken(tmp_path: Path) -> None:
    text = """\
[scenario]
title = "Two floods"
seed = 9
season = "summer"
date = 2026-08-02
time_of_day = "06:15"
room_degc = 27.5
lasts = "1 d 6 h"
every_s = 60
[[entry]]
at = "1 h 30 min"
fault = "overflow-blocked"
target = "south"
severity = 0.9
onset = 600
repaired_after = "45.5 min"
expect = "quiet"
told_by = ["sump-high"]
[[entry]]
at = "2h"
act = "water-change"
"""
    found = loaded(tmp_path, text)
    morning = datetime(2026, 8, 2, 4, 15, tzinfo=UTC)  # CEST
    assert found.start == round(morning.timestamp()) * SECOND
    assert (found.utc_offset_h, found.room_degc, found.room_shift_k) == (2.0, 27.5, 4.0)
    assert (found.title, found.seed, found.lasts_s) == ("Two floods", 9, 108_000.0)
    assert found.every_s == 60.0
    blocked, change = found.entries
    assert (blocked.at_s, blocked.onset_s, blocked.repaired_after_s) == (5400.0, 600.0, 2730.0)
    assert (blocked.target, blocked.severity, blocked.expect) == ("south", 0.9, "quiet")
    assert blocked.told_by == ("sump-high",)
    assert (change.at_s, change.act, change.fault) == (7200.0, "water-change", "")


@pytest.mark.parametrize(
    ("entry", "said"),
    [
        ('fault = "mains-lst"', 'fault = "mains-lst": is not a fault that can be played. Did you'),
        ('fault = "sump-high"', 'fault = "sump-high": is not a fault that can be played. Write an'),
        ('fault = "disk-full"', 'fault = "disk-full": is not a fault that can be played. It is a '),
        ('fault = "doser-stuck-on"', 'fault = "doser-stuck-on": cannot be played: no channel.'),
        ('fault = "mains-lost"\ntarget = "x"', 'target = "x": is of faults that strike one thing'),
        ('fault = "mains-lost"\nseverity = 0.5', "severity = 0.5: is of faults with degrees."),
        ('fault = "mains-lost"\nonset = "5 min"', 'onset = "5 min": is of faults that come slowly'),
        ('fault = "mains-lost"\nonset = 0', "onset = 0: must be more than 0."),
        ('fault = "mains-lost"\nseverity = 2', "severity = 2: must be 1 or less."),
        ('fault = "mains-lost"\ntold_by = ["mains"]', 'told_by = "mains": is not in the failure '),
        ('fault = "mains-lost"\nexpect = "x"', 'expect = "x": is none of "told", "quiet" or '),
        ('fault = "mains-restored"', 'fault = "mains-restored": has no cut that it could end.'),
        ('fault = "probe-silent"', "target: is missing: probe-silent needs one."),
        (
            'fault = "probe-silent"\ntarget = "sump-node/levl"',
            'target = "sump-node/levl": is no channel that the plant has. Did you mean "sump-node/',
        ),
        ('act = "feeding"\nseverity = 0.1', "severity = 0.1: is of faults only. Leave it out"),
        ('act = "feding"', 'act = "feding": is not an act of ordinary life. Did you mean "feeding'),
        ('falt = "mains-lost"', 'falt = "mains-lost": is not a known key. Did you mean "fault"?'),
    ],
)
def test_each_mistake_of_an_entry_is_named_once(tmp_path: Path, entry: str, said: str) -> None:
    (told,) = complaints(tmp_path, f"{HEAD}[[entry]]\nat = 60\n{entry}\n")
    assert told.startswith(f"entry[1].{said}")


@pytest.mark.parametrize(
    ("text", "said"),
    [
        (HEAD, "entry: there is none: nothing would happen. Add [[entry]]"),
        ("", "scenario: is missing. Begin the file with [scenario]"),
        (HEAD + "[entry]\nat = 0\n", "entry: is not a list of tables. Write [[entry]] in two"),
        ("[scenario]\nlasts = 0", "scenario.lasts = 0: must be more than 0."),
        ("[scenario]\nlasts = true", "scenario.lasts = true: is no time."),
        ('[scenario]\nlasts = "2 weeks"', 'scenario.lasts = "2 weeks": is no time.'),
        (HEAD + 'date = "2026-07-15"', 'scenario.date = "2026-07-15": is no date. Write year'),
        (HEAD + "date = 1871-01-01", "scenario.date = 1871-01-01: is outside the years"),
        (HEAD + 'season = "sumer"', 'scenario.season = "sumer": is none of '),
        (HEAD + "seeds = 1", "scenario.seeds = 1: is not a known key. Did you mean"),
        (HEAD + "[entries]\n", 'entries: is not a known section. Did you mean "entry"?'),
    ],
)
def test_each_mistake_of_the_file_is_named(tmp_path: Path, text: str, said: str) -> None:
    assert any(told.startswith(said) for told in complaints(tmp_path, text))


def test_all_mistakes_come_at_once_those_of_an_entry_together(tmp_path: Path) -> None:
    told = complaints(
        tmp_path,
        '[scenario]\nlasts = "x"\n[[entry]]\nat = 60\nfault = "mains-lst"\nexpect = 3\n'
        '[[entry]]\nat = 1\nact = "feeding"\nfault = "mains-lost"\n',
    )
    places = [one.partition(" =")[0].partition(":")[0] for one in told]
    assert places == ["scenario.lasts", "entry[1].expect", "entry[1].fault", "entry[2]"]


def test_an_entry_after_the_end_is_told(tmp_path: Path) -> None:
    (told,) = complaints(tmp_path, HEAD + '[[entry]]\nat = "3 h"\nfault = "mains-lost"\n')
    assert told.startswith('entry[1].at = "3 h": is not before the end of the scenario, at 7200 s')


def test_the_mains_may_come_back_after_a_cut_that_still_stands(tmp_path: Path) -> None:
    cut = '[[entry]]\nat = 60\nfault = "mains-lost"\n'
    back = '[[entry]]\nat = 600\nfault = "mains-restored"\n'
    assert len(loaded(tmp_path, HEAD + cut + back).entries) == 2
    mended = cut + "repaired_after = 30\n"
    (told,) = complaints(tmp_path, HEAD + mended + back)
    assert told.startswith("entry[2].fault")


def test_a_file_that_is_not_there_is_told_with_its_option(tmp_path: Path) -> None:
    with pytest.raises(ConfigError, match=r"no such file\. Name the right one with --scenario"):
        load_scenario(tmp_path / "no.toml", PLAYABLE, OSLO)


@pytest.mark.parametrize(
    ("written", "seconds"),
    [
        (0, 0.0),
        (90, 90.0),
        ("90 s", 90.0),
        ("1 h 30 min", 5400.0),
        ("1d", 86_400.0),
        ("0.5h", 1800),
    ],
)
def test_times_are_seconds_or_words(written: object, seconds: float) -> None:
    assert seconds_of(written) == seconds


SCALAR = st.one_of(st.integers(-9, 99), st.booleans(), st.floats(-2, 2), st.text(max_size=9))


@settings(
    max_examples=150,
    suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow],
)
@given(
    keys=st.dictionaries(
        st.sampled_from(["at", "fault", "act", "target", "severity", "onset", "told_by", "x"]),
        SCALAR | st.lists(SCALAR, max_size=2),
        max_size=5,
    )
)
def test_whatever_stands_there_is_a_clear_answer(tmp_path: Path, keys: dict[str, object]) -> None:
    lines = "\n".join(f"{key} = {json.dumps(value)}" for key, value in keys.items())
    try:
        loaded(tmp_path, f"{HEAD}[[entry]]\n{lines}\n")
    except ConfigError as error:
        told = error.problems
        assert told == list(dict.fromkeys(told))
