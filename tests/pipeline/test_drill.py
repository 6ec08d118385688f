"""A drill is the real loop on somebody's plant: deadlines, notices, verdicts, in virtual time."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path

import pytest

from weirwatch.config import load
from weirwatch.config.builtin import node_rule_ids
from weirwatch.config.catalogue import load_catalogue
from weirwatch.domain.instant import SECOND, Micros, from_rfc3339
from weirwatch.ingest.codec import Codec
from weirwatch.pipeline.drill import Drill, DrillParts, Outcome, coarser, detecting_rules
from weirwatch.pipeline.drill_result import (
    RunResult,
    Verdict,
    counted_failures,
    judge_normal,
    judge_run,
)
from weirwatch.pipeline.drill_summary import percentile, summarise
from weirwatch.pipeline.notices import NoticeWriter
from weirwatch.pipeline.plant_source import HarmBegins, Moment
from weirwatch.settings import Settings
from weirwatch.store.sqlite_journal import SqliteJournal

START: Micros = from_rfc3339("2026-05-01T12:00:00Z")
LEVEL = "weirwatch/harbour-hall/sump-node/readings"
CONFIG = """\
[[system]]
id = "harbour-hall"
[[recipient]]
id = "console"
kind = "console"
[[channel]]
id = "harbour-hall/sump-node/level"
quantity = "level"
unit = "mm"
expected_every_s = 10
[[channel]]
id = "harbour-hall/sump-node/floor-dry"
quantity = "switch"
[[rule]]
id = "sump-high"
title = "Sump too high"
kind = "absolute"
channel = "harbour-hall/sump-node/level"
high = 345
on_delay_s = 33
failure = "sump-high"
response = "Look."
[[rule]]
id = "floor-leak"
title = "Wet floor"
kind = "absolute"
channel = "harbour-hall/sump-node/floor-dry"
is = false
failure = "floor-leak"
response = "Look."
"""


def message(level: float, dry: bool = True) -> tuple[str, bytes]:
    records = f'{{"n":"level","v":{level}}},{{"n":"floor-dry","vb":{str(dry).lower()}}}'
    return LEVEL, f"[{records}]".encode()


@dataclass
class HandPlay:
    """A play whose level and floor are given second by second, every ten of them."""

    levels: Sequence[float]
    dry: Sequence[bool] = ()
    harm_s: float | None = None
    begins_s: float = 60.0
    settled_s: float = 0.0
    away: Sequence[int] = ()
    says: str = "the sump rises"
    start: Micros = START
    every: Micros | None = None
    played: int = field(default=0, init=False)

    @property
    def begins(self) -> Micros:
        return START + round(self.begins_s * SECOND)

    @property
    def until(self) -> Micros:
        return START + len(self.levels) * 10 * SECOND

    @property
    def settled(self) -> Micros:
        return START + round(self.settled_s * SECOND)

    @property
    def harm(self) -> HarmBegins | None:
        if self.harm_s is None:
            return None
        at = self.begins + round(self.harm_s * SECOND)
        return HarmBegins(at, "water on the floor", "by definition")

    def moments(self) -> Iterator[Moment]:
        for n, level in enumerate(self.levels):
            self.played = n
            dry = self.dry[n] if n < len(self.dry) else True
            away = n in self.away
            sent = [] if away else [message(level, dry)]
            yield Moment(START + (n + 1) * 10 * SECOND, not away, sent)


@pytest.fixture
def settings(tmp_path: Path) -> Settings:
    file = tmp_path / "w.toml"
    file.write_text(CONFIG)
    return load(file)


def play(
    settings: Settings, tmp_path: Path, hand: HandPlay, wanted: frozenset[str] | None = None
) -> Outcome:
    journal = SqliteJournal(tmp_path / f"{len(list(tmp_path.iterdir()))}.sqlite")
    parts = DrillParts(
        settings,
        Codec(settings.channels, settings.taps, "weirwatch", 60 * SECOND),
        journal,
        NoticeWriter(settings, load_catalogue()),
        node_rule_ids(channel.id for channel in settings.channels),
        frozenset({"harbour-hall/sump-node/level"}),
    )
    telling = detecting_rules(settings.rules, counted_failures("sump-high"))
    try:
        return Drill(parts, hand, telling if wanted is None else wanted).run()
    finally:
        journal.close()


def judged(settings: Settings, tmp_path: Path, hand: HandPlay) -> RunResult:
    rules = {rule.id: rule for rule in settings.rules}
    return judge_run("sump-high", 0, play(settings, tmp_path, hand), rules)


def test_an_alarm_sounds_at_its_deadline_not_at_the_next_reading(
    settings: Settings, tmp_path: Path
) -> None:
    result = judged(settings, tmp_path, HandPlay([300.0] * 6 + [350.0] * 20, harm_s=60.0))
    assert result.detected_s == 10.0 + 33.0  # the reading at 70 s, and the delay
    assert (result.verdict, result.margin_s) == (Verdict.DETECTED, 17.0)
    assert (result.first_alarm, result.notices) == ("sump-high", 1)
    assert result.quarantined == 0


def test_an_alarm_after_the_harm_is_late(settings: Settings, tmp_path: Path) -> None:
    result = judged(settings, tmp_path, HandPlay([300.0] * 6 + [350.0] * 20, harm_s=30.0))
    assert (result.verdict, result.margin_s) == (Verdict.LATE, -13.0)


def test_a_level_that_never_crosses_its_limit_is_missed(settings: Settings, tmp_path: Path) -> None:
    result = judged(settings, tmp_path, HandPlay([300.0] * 6 + [344.0] * 20, harm_s=30.0))
    assert (result.verdict, result.detected_s, result.first_alarm) == (Verdict.MISSED, None, "")
    assert result.played_s == 200.0


def test_without_harm_the_verdict_is_whether_it_is_told(settings: Settings, tmp_path: Path) -> None:
    result = judged(settings, tmp_path, HandPlay([300.0] * 6 + [350.0] * 20))
    assert (result.verdict, result.margin_s, result.harm_s) == (Verdict.DETECTED, None, None)


def test_an_alarm_before_the_failure_is_false_and_detects_nothing(
    settings: Settings, tmp_path: Path
) -> None:
    hand = HandPlay([300.0] * 2 + [350.0] * 20, begins_s=120.0)
    result = judged(settings, tmp_path, hand)
    assert result.false_alarms == ("sump-high",)
    assert result.verdict is Verdict.MISSED


def test_an_alarm_about_something_else_is_counted_apart(settings: Settings, tmp_path: Path) -> None:
    dry = [True] * 7 + [False] * 20
    result = judged(settings, tmp_path, HandPlay([300.0] * 27, dry))
    assert result.other_alarms == ("floor-leak",)
    assert (result.verdict, result.notices) == (Verdict.MISSED, 1)


def test_it_ends_some_time_after_alarm_and_harm_are_known(
    settings: Settings, tmp_path: Path
) -> None:
    hand = HandPlay([300.0] * 6 + [350.0] * 500, harm_s=60.0)
    assert play(settings, tmp_path, hand).ended - hand.begins == (10 + 33 + 7 + 600) * SECOND
    endless = HandPlay([300.0] * 6 + [350.0] * 200, harm_s=9000.0, settled_s=1e9)
    assert play(settings, tmp_path, endless).ended == endless.until


def test_a_broker_that_is_away_is_told_by_its_own_rule(settings: Settings, tmp_path: Path) -> None:
    outcome = play(settings, tmp_path, HandPlay([300.0] * 40, away=range(10, 30)), frozenset())
    assert [event.rule for event in outcome.events if event.annunciated] == ["broker-lost"]


def test_what_cannot_be_read_is_counted(settings: Settings, tmp_path: Path) -> None:
    class Garbled(HandPlay):
        def moments(self) -> Iterator[Moment]:
            yield Moment(START + SECOND, True, [(LEVEL, b"no pack at all")])

    assert play(settings, tmp_path, Garbled([])).quarantined == 1


def test_the_readings_of_the_rules_channel_are_kept_for_the_plot(
    settings: Settings, tmp_path: Path
) -> None:
    result = judged(settings, tmp_path, HandPlay([300.0, 301.0, 302.0]))
    points = ((-50.0, 300.0), (-40.0, 301.0), (-30.0, 302.0))
    assert result.curves == {"harbour-hall/sump-node/level": points}


def test_every_alarm_of_ordinary_life_is_false(settings: Settings, tmp_path: Path) -> None:
    outcome = play(settings, tmp_path, HandPlay([300.0] * 3 + [350.0] * 20), frozenset())
    result = judge_normal(0, outcome, {rule.id: rule for rule in settings.rules})
    assert [alarm.rule for alarm in result.false_alarms] == ["sump-high"]
    assert result.readings == 46


def test_a_slow_play_loosens_only_what_channels_expect(settings: Settings) -> None:
    slow = coarser(settings, 60 * SECOND)
    assert slow.channels[0].expected_every == 60 * SECOND
    assert slow.channels[0].silent_after == 180 * SECOND
    assert slow.channels[1] == settings.channels[1]  # reports on change only
    assert slow.rules == settings.rules
    assert coarser(settings, None) is settings


def test_what_does_not_come_back_after_a_cut_counts_for_the_cuts_end() -> None:
    assert "return-pump-stopped" in counted_failures("mains-restored")
    assert counted_failures("floor-leak") == {"floor-leak"}


RUN = RunResult(
    0, "the sump rises", Verdict.DETECTED, 30.0, 90.0, "sump-high", (), (), 1, "a wet floor", "x",
    600.0,
)  # fmt: skip


def sentence(settings: Settings, *runs: RunResult, failure: str = "sump-high") -> str:
    rules = {rule.id: rule for rule in settings.rules}
    return summarise(failure, "Sump high", runs, rules).sentence


def test_the_sentence_says_who_told_it_and_how_much_time_was_left(settings: Settings) -> None:
    told = sentence(settings, RUN)
    assert told == (
        "The sump rises: told after 30 s by “Sump too high”, 1 min before harm (a wet floor)."
    )


def test_the_sentence_of_what_is_late_names_the_rule_to_mend(settings: Settings) -> None:
    late = replace(RUN, verdict=Verdict.LATE, detected_s=150.0)
    told = sentence(settings, RUN, late)
    assert "“Sump too high” sounds 1 min after harm has begun (a wet floor) in 1 of 2 plays" in told
    assert "There is a rule for it (sump-high)" in told


def test_the_sentence_of_what_is_missed_suggests_the_rule(settings: Settings) -> None:
    missed = replace(RUN, verdict=Verdict.MISSED, detected_s=None, first_alarm="")
    told = sentence(settings, missed, failure="overflow-blocked")
    assert "nobody is told within 10 min; harm begins after 1 min 30 s" in told
    assert 'No rule has failure = "overflow-blocked": ' in told
    assert "Usual: high level in each display" in told


def test_the_worst_of_all_plays_is_the_verdict(settings: Settings) -> None:
    rules = {rule.id: rule for rule in settings.rules}
    missed = replace(RUN, run=2, verdict=Verdict.MISSED, detected_s=None)
    close = replace(RUN, run=1, detected_s=80.0)
    summary = summarise("sump-high", "", [missed, close, RUN], rules)
    assert (summary.verdict, summary.worst) == (Verdict.MISSED, missed)
    assert [run.run for run in summary.runs] == [0, 1, 2]
    assert (summary.detect_s(0.5), summary.detect_s(1.0)) == (80.0, None)
    assert (summary.harm_s(), summary.margin_s()) == (90.0, 10.0)
    document = summary.as_json()
    assert (document["detected"], document["late"], document["missed"]) == (2, 0, 1)
    assert summarise("sump-high", "", [close, RUN], rules).worst == close


def test_percentiles_are_values_that_were_seen() -> None:
    values = [float(n) for n in range(1, 11)]
    assert [percentile(values, share) for share in (0.5, 0.9, 1.0)] == [5.0, 9.0, 10.0]
    assert percentile([7.0], 0.5) == 7.0
