"""Life cycle, suppression, shelving and rule kinds, through the engine in virtual time."""

from math import inf

import pytest
from domain.engine_run import EngineRun
from support.bench_engine import LEVEL, book, channel, command, rule, run, seen, told

from weirwatch.domain.alarm import Event
from weirwatch.domain.book import Book
from weirwatch.domain.instant import micros
from weirwatch.domain.reading import Channel
from weirwatch.domain.rule import (
    Absolute,
    AlarmStands,
    BadMeasurement,
    Between,
    ChannelIs,
    Deviation,
    Discrepancy,
    Priority,
    Rule,
    Side,
    SwitchIs,
)
from weirwatch.pipeline.replay import Refusal, replay

MAINS = "hall/power/mains"
FLOW = "hall/node/flow"
SPAN = micros(1)


def switch(ident: str) -> Channel:
    return Channel(id=ident, quantity="switch")


def states(events: list[Event], ident: str = "high") -> list[str]:
    return [e.to_state for e in events if e.rule == ident]


def test_opc_ua_part_9_example_b_1_5_shape() -> None:
    # OPC UA Part 9 annex B.1 walks an exclusive/limit alarm through active, acknowledged,
    # inactive, active again before acknowledgement and inactive (sequence from memory).
    made = book([rule()], [channel()])
    events = run(
        made,
        seen([(0, 5), (1, 11), (3, 7), (4, 11), (5, 7)]),
        [command(2, "acknowledge"), command(6, "acknowledge")],
    )
    assert told(events) == [
        (1, "raised", "unacknowledged", True),
        (2, "acknowledged", "acknowledged", False),
        (3, "returned", "normal", False),
        (4, "raised", "unacknowledged", True),
        (5, "returned", "returned-unacknowledged", False),
        (6, "acknowledged", "normal", False),
    ]


def test_latched_needs_reset_after_the_condition_has_gone() -> None:
    made = book([rule(latching=True)], [channel()])
    early = list(
        replay(
            made,
            seen([(0, 11), (5, 11)]),
            [command(1, "reset"), command(2, "acknowledge"), command(3, "reset")],
            None,
        )
    )
    assert [type(e) for e in early] == [Event, Refusal, Event, Refusal]
    events = run(made, seen([(0, 11), (2, 7)]), [command(3, "acknowledge"), command(4, "reset")])
    assert states(events) == [
        "unacknowledged",
        "latched-unacknowledged",
        "latched-acknowledged",
        "normal",
    ]


def test_re_alarm_counts_from_the_acknowledgement() -> None:
    made = book([rule(re_alarm=100)], [channel()])
    events = run(made, seen([(0, 11)]), [command(10, "acknowledge")], until=300)
    assert told(events)[2:] == [(110, "re-alarmed", "unacknowledged", True)]


def test_check_in_postpones_the_re_alarm() -> None:
    made = book([rule(re_alarm=100)], [channel()])
    given = [command(10, "acknowledge", check_in_minutes=5)]
    events = run(made, seen([(0, 11)]), given, until=400)
    assert told(events)[2:] == [(310, "re-alarmed", "unacknowledged", True)]


def suppressed_pair(hold_off: float = 60) -> list[Rule]:
    return [
        rule("mains-lost", SwitchIs(False), on=5, on_channel=MAINS, failure="mains-lost"),
        rule("high", on=30, hold_off=hold_off, suppressed_by=("mains-lost",)),
    ]


def pair_book(hold_off: float = 60) -> Book:
    return book(suppressed_pair(hold_off), [channel(), switch(MAINS)])


def test_a_consequence_that_rises_and_returns_unannounced_ends_in_normal() -> None:
    readings = seen([(0, 1), (10, 0), (200, 1)], MAINS) + seen([(0, 5), (20, 11), (100, 5)])
    events = run(pair_book(), readings, until=600)
    assert told(events, "mains-lost") == [
        (15, "raised", "unacknowledged", True),
        (200, "returned", "returned-unacknowledged", False),
    ]
    assert told(events, "high") == [
        (15, "suppressed", "normal", False),
        (50, "raised", "unacknowledged", False),
        (100, "returned", "normal", False),
        (260, "released", "normal", False),
    ]


def test_one_that_still_stands_when_the_hold_off_ends_is_announced_then() -> None:
    readings = seen([(0, 1), (10, 0), (200, 1)], MAINS) + seen([(0, 5), (20, 11)])
    events = run(pair_book(), readings, until=600)
    assert told(events, "high")[-1] == (260, "released", "unacknowledged", True)
    assert sum(e.annunciated for e in events) == 2


def test_one_acknowledged_before_stays_acknowledged() -> None:
    readings = seen([(0, 1), (100, 0), (200, 1)], MAINS) + seen([(0, 11)])
    events = run(pair_book(), readings, [command(40, "acknowledge")], until=600)
    assert told(events, "high") == [
        (30, "raised", "unacknowledged", True),
        (40, "acknowledged", "acknowledged", False),
        (105, "suppressed", "acknowledged", False),
        (260, "released", "acknowledged", False),
    ]


def test_latching_consequence_that_returned_unannounced_is_latched_unacknowledged() -> None:
    rules = [
        suppressed_pair()[0],
        rule("high", on=30, hold_off=60, latching=True, suppressed_by=("mains-lost",)),
    ]
    made = book(rules, [channel(), switch(MAINS)])
    readings = seen([(0, 1), (10, 0), (200, 1)], MAINS) + seen([(0, 5), (20, 11), (100, 5)])
    assert states(run(made, readings, until=600))[-1] == "latched-unacknowledged"


def test_the_cause_again_within_the_hold_off_goes_on_suppressing() -> None:
    readings = seen([(0, 1), (10, 0), (200, 1), (230, 0)], MAINS) + seen([(0, 5), (20, 11)])
    events = run(pair_book(), readings, until=900)
    assert told(events, "high")[-1] == (50, "raised", "unacknowledged", False)


def test_a_cause_stands_whatever_its_own_service_state() -> None:
    readings = seen([(0, 1), (10, 0)], MAINS) + seen([(0, 5), (20, 11)])
    given = [command(1, "shelve", "mains-lost", minutes=60)]
    events = run(pair_book(), readings, given, until=600)
    assert [e for e in events if e.annunciated] == []


def test_a_bold_failure_is_never_suppressed() -> None:
    rules = [
        suppressed_pair()[0],
        rule("leak", on=30, suppressed_by=("mains-lost",), bold=True, failure="floor-leak"),
    ]
    made = book(rules, [channel(), switch(MAINS)])
    readings = seen([(0, 1), (10, 0)], MAINS) + seen([(0, 11)])
    assert told(run(made, readings, until=60), "leak") == [(30, "raised", "unacknowledged", True)]


def test_timed_shelving_ends_by_itself_and_announces_what_still_stands() -> None:
    made = book([rule()], [channel()])
    events = run(made, seen([(0, 5), (30, 11)]), [command(10, "shelve", minutes=1)], until=100)
    assert told(events) == [
        (10, "shelved", "normal", False),
        (30, "raised", "unacknowledged", False),
        (70, "unshelved", "unacknowledged", True),
    ]


def test_one_shot_shelving_ends_when_it_returns() -> None:
    made = book([rule()], [channel()])
    events = run(made, seen([(0, 11), (30, 5), (40, 11)]), [command(10, "shelve")])
    assert [(e.kind, e.service_to, e.annunciated) for e in events] == [
        ("raised", "in-service", True),
        ("shelved", "shelved", False),
        ("returned", "in-service", False),
        ("raised", "in-service", True),
    ]


@pytest.mark.parametrize("minutes", [721, 1e9, 0, -1, float("nan")])
def test_shelving_out_of_bounds_is_refused(minutes: float) -> None:
    made = book([rule()], [channel()])
    found = list(replay(made, seen([(0, 11)]), [command(1, "shelve", minutes=minutes)], None))
    assert isinstance(found[-1], Refusal)


def test_out_of_service_demands_a_comment_and_for_a_bold_failure_an_end() -> None:
    made = book(
        [rule(), rule("leak", bold=True, failure="floor-leak", priority=Priority.CRITICAL)],
        [channel()],
    )

    def refused(ident: str, **more: object) -> bool:
        given = [command(1, "remove-from-service", ident, **more)]
        return isinstance(list(replay(made, seen([(0, 0)]), given, None))[-1], Refusal)

    assert refused("high")
    assert not refused("high", comment="probe being cleaned")
    assert refused("leak", comment="probe being cleaned")
    assert not refused("leak", comment="probe being cleaned", minutes=30)


def test_unknown_rule_is_refused() -> None:
    found = list(
        replay(book([rule()], [channel()]), seen([(0, 5)]), [command(1, "reset", "none")], None)
    )
    assert isinstance(found[-1], Refusal)
    assert "'none'" in found[-1].sentence


def test_discrepancy_counts_from_when_all_of_while_holds() -> None:
    pump = rule(
        "no-flow",
        Discrepancy(micros(20), minimum=1000.0),
        kind="discrepancy",
        on_channel=FLOW,
        while_=(ChannelIs(MAINS, True),),
    )
    made = book([pump], [channel(FLOW), switch(MAINS)])
    readings = seen([(0, 0.0), (100, 0.0)], FLOW) + seen([(10, 1)], MAINS)
    assert told(run(made, readings, until=100)) == [(30, "raised", "unacknowledged", True)]
    back = [*readings, *seen([(60, 0)], MAINS)]
    assert told(run(made, back, until=100))[1:] == [
        (60, "returned", "returned-unacknowledged", False)
    ]
    met = seen([(0, 0.0), (25, 1000.0)], FLOW) + seen([(10, 1)], MAINS)
    assert told(run(made, met, until=100)) == []


def test_deviation_from_a_twin_channel() -> None:
    twin = "hall/node/twin"
    made = book(
        [rule("drift", Deviation(0.5, 0.1, twin=twin), kind="deviation")],
        [channel(), channel(twin)],
    )
    readings = seen([(0, 25.0), (20, 25.0)]) + seen(
        [(0, 25.2), (10, 25.6), (30, 25.45), (40, 25.3)], twin
    )
    assert told(run(made, readings)) == [
        (10, "raised", "unacknowledged", True),
        (40, "returned", "returned-unacknowledged", False),
    ]


def test_silent_frozen_and_outside_valid() -> None:
    silent = rule("silent", BadMeasurement(silent=True), kind="bad-measurement")
    frozen = rule("frozen", BadMeasurement(frozen=micros(60)), kind="bad-measurement")
    outside = rule("outside", BadMeasurement(outside_valid=True), kind="bad-measurement")
    made = book([silent, frozen, outside], [channel(every=5, valid=(0.0, 100.0))])
    assert told(run(made, seen([(0, 1), (10, 2), (26, 3)])), "silent") == [
        (25, "raised", "unacknowledged", True),
        (26, "returned", "returned-unacknowledged", False),
    ]
    still = seen([(t, 4.0) for t in range(0, 70, 5)] + [(70, 4.1)])
    assert told(run(made, still), "frozen") == [
        (60, "raised", "unacknowledged", True),
        (70, "returned", "returned-unacknowledged", False),
    ]
    assert told(run(made, seen([(0, 101.0), (5, 50.0)])), "outside") == [
        (0, "raised", "unacknowledged", True),
        (5, "returned", "returned-unacknowledged", False),
    ]


def test_a_silence_is_no_time_in_which_a_probe_was_frozen() -> None:
    frozen = rule("frozen", BadMeasurement(frozen=micros(60)), kind="bad-measurement")
    made = book([frozen], [channel(every=5)])
    away = [(t, 4.0) for t in range(0, 35, 5)] + [(t, 4.0) for t in range(3600, 3670, 5)]
    assert told(run(made, seen(away))) == [(3630, "raised", "unacknowledged", True)]
    engine = EngineRun(made, 0)
    for reading in seen(away[:8]):
        engine.advance(reading.time)
        engine.reading(reading)
    engine.restart(micros(3602))
    for reading in seen(away[8:]):
        engine.advance(reading.time)
        engine.reading(reading)
    assert told(engine.events) == [(3630, "raised", "unacknowledged", True)]


def test_a_bad_reading_ends_silence() -> None:
    silent = rule("silent", BadMeasurement(silent=True), kind="bad-measurement")
    made = book([silent], [channel(every=5, valid=(0.0, 100.0))])
    assert told(run(made, seen([(0, 1), (40, 500.0)]))) == [
        (15, "raised", "unacknowledged", True),
        (40, "returned", "returned-unacknowledged", False),
    ]


def test_a_channel_never_heard_is_silent_from_the_start_on() -> None:
    other = "hall/node/other"
    silent = rule("silent", BadMeasurement(silent=True), kind="bad-measurement")
    made = book([silent], [channel(every=5), channel(other)])
    assert told(run(made, seen([(100, 1), (120, 1)], other))) == [
        (115, "raised", "unacknowledged", True)
    ]


def test_while_between_and_silent_do_not_spin() -> None:
    # A silent rule that only counts by day: due at night, it must wait for the morning.
    silent = rule(
        "silent",
        BadMeasurement(silent=True),
        kind="bad-measurement",
        while_=(Between(8 * 60, 20 * 60),),
    )
    made = book([silent], [channel(every=5)])
    events = run(made, seen([(3600, 1)]), until=9 * 3600)
    assert told(events) == [(8 * 3600, "raised", "unacknowledged", True)]


def test_while_alarm_follows_the_other_rule() -> None:
    dark = rule("both", Absolute(Side.HIGH, 5.0), while_=(AlarmStands("high"),), on=10)
    made = book([rule(), dark], [channel()])
    events = run(made, seen([(0, 6), (10, 11), (30, 7)]), until=60)
    assert told(events, "both") == [
        (20, "raised", "unacknowledged", True),
        (30, "returned", "returned-unacknowledged", False),
    ]


def test_between_is_local_and_survives_daylight_saving() -> None:
    # 2026-03-29 01:00Z: Europe/Oslo goes from 02:00 to 03:00 (IANA tz database).
    day = 1774742400  # 2026-03-29T00:00:00Z
    night = rule("night", Absolute(Side.HIGH, 10.0), while_=(Between(22 * 60, 6 * 60),))
    made = book([night], [channel()], zone="Europe/Oslo")
    events = run(made, seen([(day, 11)]), until=day + 86_400)
    assert [(e.time // 10**6 - day, e.kind) for e in events] == [
        (0, "raised"),  # 01:00 local
        (4 * 3600, "returned"),  # 06:00 local = 04:00Z, an hour of the night was skipped
        (20 * 3600, "raised"),  # 22:00 local = 20:00Z
    ]


def test_equal_time_is_a_duplicate_and_the_first_wins() -> None:
    made = book([rule()], [channel()])
    assert told(run(made, seen([(0, 5), (0, 11)]))) == []


def test_a_value_at_its_limit_raises() -> None:
    for side in Side:
        made = book([rule(condition=Absolute(side, 10.0))], [channel()])
        within = 5.0 if side is Side.HIGH else 15.0
        events = run(made, seen([(0, within), (1, 10.0)]))
        assert told(events) == [(1, "raised", "unacknowledged", True)]


def test_a_reading_outside_its_valid_range_raises_though_nothing_else_watches_the_channel() -> None:
    outside = rule("outside", BadMeasurement(outside_valid=True), kind="bad-measurement")
    made = book([outside], [channel(valid=(0.0, 100.0))])
    assert told(run(made, seen([(0, 5.0), (5, 101.0)]))) == [(5, "raised", "unacknowledged", True)]


def test_a_duplicate_does_not_replace_what_is_known_of_the_channel() -> None:
    made = book([rule()], [channel()])
    (event,) = run(made, seen([(0, 5), (0, 6)]), [command(1, "shelve", minutes=5)])
    assert event.value == 5.0


def test_bands_say_which_values_move_no_rule_of_a_channel() -> None:
    twin = "hall/node/twin"
    rules = [
        rule("high"),
        rule("low", Absolute(Side.LOW, 2.0)),
        rule("flow", on=5, on_channel=FLOW),
        rule("dark", on_channel=twin, while_=(ChannelIs(MAINS, True),)),
    ]
    lonely = channel("hall/node/lonely")
    made = book(rules, [channel(), channel(FLOW), channel(twin), switch(MAINS), lonely])
    engine = EngineRun(made, 0)
    assert engine.state.bands == {
        LEVEL: (2.0, 10.0),
        FLOW: (-inf, 10.0),
        twin: (-inf, 10.0),
        lonely.id: (-inf, inf),
    }
    for reading in seen([(1, 11), (2, 9), (3, 5)]) + seen([(4, 11), (5, 5)], FLOW):
        engine.advance(reading.time)
        engine.reading(reading)
        # From the raise until the return, deadband included, and while a delay runs: look closer.
        assert (LEVEL in engine.state.bands) is not engine.state.alarms["high"].present
        assert (FLOW in engine.state.bands) is (engine.state.alarms["flow"].count_since is None)
    assert len(engine.state.bands) == 4


def test_channel_of_other_rule_does_not_matter() -> None:
    made = book([rule()], [channel(), channel(FLOW)])
    assert told(run(made, seen([(0, 99)], FLOW))) == []
    assert LEVEL in made.channels
