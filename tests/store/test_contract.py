"""What every store must do: the promises of ports.Journal, OutboxStore and Archive."""

from dataclasses import replace

import pytest
from support.stored import (
    CHANNELS,
    HIGH_LEVEL,
    LEVEL,
    T0,
    WARMTH,
    Stores,
    notice,
    readings,
    whole_group,
)

from weirwatch.domain.alarm import Alarm, AlarmState, Event
from weirwatch.domain.errors import ConfigError
from weirwatch.domain.instant import SECOND
from weirwatch.domain.reading import Quality, Reading
from weirwatch.domain.rule import Absolute, Side
from weirwatch.ports import Bucket, Group, Newest, NodeState, Quarantined


def adopt(stores: Stores) -> tuple[int, int]:
    numbers = stores.journal.adopt(CHANNELS, (HIGH_LEVEL,))
    return numbers[LEVEL.id], numbers[WARMTH.id]


# --- start and stop --------------------------------------------------------------------------


def test_a_new_file_remembers_nothing(stores: Stores) -> None:
    found = stores.journal.restore()
    assert (found.alarms, found.rule_marks, found.newest, found.newest_good) == ({}, {}, {}, {})
    assert (found.nodes, found.next_seq, found.alive_at, found.clean_stop) == ({}, 1, None, False)


def test_what_was_committed_is_restored(stores: Stores) -> None:
    numbers = dict(stores.journal.adopt(CHANNELS, (HIGH_LEVEL,)))
    group = whole_group(numbers, 7)
    assert stores.journal.commit(group) == 0
    found = stores.journal.restore()
    time = T0 + 7 * SECOND
    assert found.alarms == group.alarms
    assert found.nodes == group.nodes
    assert found.newest == {
        LEVEL.id: Newest(time, 7.0, Quality.GOOD, ""),
        WARMTH.id: Newest(time, 32.0, Quality.UNCERTAIN, "warming up"),
    }
    assert found.newest_good == {LEVEL.id: Newest(time, 7.0, Quality.GOOD, "")}
    assert (found.next_seq, found.alive_at, found.clean_stop) == (8, time, False)


def test_alive_and_stopped(stores: Stores) -> None:
    adopt(stores)
    stores.journal.mark_alive(T0)
    assert stores.journal.restore().alive_at == T0
    stores.journal.mark_stopped(T0 + 5)
    stopped = stores.journal.restore()
    assert (stopped.alive_at, stopped.clean_stop) == (T0 + 5, True)
    stores.journal.commit(Group(committed_at=T0 + 9))
    running = stores.journal.restore()
    assert (running.alive_at, running.clean_stop) == (T0 + 9, False)


def test_close_twice(stores: Stores) -> None:
    stores.close()
    stores.close()


# --- channels and rules ----------------------------------------------------------------------


def test_numbers_stay_and_channels_follow_the_configuration(stores: Stores) -> None:
    level, warmth = adopt(stores)
    renamed = replace(LEVEL, title="Sump", valid=None, resolution=0.5, expected_every=5 * SECOND)
    again = stores.journal.adopt((renamed,), ())
    assert again == {LEVEL.id: level}
    assert list(stores.archive.channels()) == [WARMTH, renamed]
    assert stores.journal.adopt((WARMTH,), ()) == {WARMTH.id: warmth}


def test_a_stored_channel_keeps_its_unit(stores: Stores) -> None:
    level, _ = adopt(stores)
    stores.journal.adopt((replace(LEVEL, unit="cm"),), ())  # nothing stored yet: may change
    stores.journal.adopt(CHANNELS, ())
    stores.journal.commit(Group(readings=readings(level, [210.0])))
    with pytest.raises(ConfigError, match=r"unit = 'cm', but its history is in 'mm'.*new id"):
        stores.journal.adopt((replace(WARMTH, title="x"), replace(LEVEL, unit="cm")), ())
    assert list(stores.archive.channels()) == [WARMTH, LEVEL]


def test_an_alarm_keeps_the_mark_of_the_rule_it_was_judged_by(stores: Stores) -> None:
    adopt(stores)
    stores.journal.commit(Group(alarms={HIGH_LEVEL.id: Alarm(HIGH_LEVEL.id)}))
    before = stores.journal.restore().rule_marks
    edited = replace(HIGH_LEVEL, condition=Absolute(Side.HIGH, 300.0))
    stores.journal.adopt(CHANNELS, (edited,))
    assert stores.journal.restore().rule_marks == before
    stores.journal.commit(Group(alarms={HIGH_LEVEL.id: Alarm(HIGH_LEVEL.id)}))
    after = stores.journal.restore().rule_marks
    assert set(after) == {HIGH_LEVEL.id}
    assert after != before


# --- readings --------------------------------------------------------------------------------


def test_a_redelivered_reading_is_counted_and_changes_nothing(stores: Stores) -> None:
    level, warmth = adopt(stores)
    rows = readings(level, [1.0, 2.0, 3.0]) + readings(warmth, [25.0])
    assert stores.journal.commit(Group(readings=rows)) == 0
    changed = [(ts, number, value + 100, 2, "outside") for ts, number, value, _, _ in rows]
    new = readings(level, [4.0], start=T0 + 15 * SECOND)
    assert stores.journal.commit(Group(readings=changed + new)) == 4
    found = stores.archive.readings(LEVEL.id, T0, T0 + 100 * SECOND, None, 100)
    assert [(r.value, r.quality, r.reason) for r in found] == [
        (value, Quality.GOOD, "") for value in (1.0, 2.0, 3.0, 4.0)
    ]
    assert stores.archive.newest()[WARMTH.id] == Newest(T0, 25.0, Quality.GOOD, "")


def test_of_two_at_one_time_in_one_group_the_first_wins(stores: Stores) -> None:
    level, _ = adopt(stores)
    rows = [(T0 - 1, level, 0.5, 0, ""), (T0, level, 1.0, 2, "outside"), (T0, level, 2.0, 0, "")]
    assert stores.journal.commit(Group(readings=rows)) == 1
    assert stores.archive.newest()[LEVEL.id] == Newest(T0, 1.0, Quality.BAD, "outside")
    good = stores.journal.restore().newest_good[LEVEL.id]
    assert good == Newest(T0 - 1, 0.5, Quality.GOOD, "")


def test_a_late_reading_is_history_and_not_the_newest(stores: Stores) -> None:
    level, _ = adopt(stores)
    stores.journal.commit(Group(readings=readings(level, [5.0])))
    stores.journal.commit(Group(readings=readings(level, [1.0, 2.0], start=T0 - 10 * SECOND)))
    assert stores.archive.newest()[LEVEL.id].value == 5.0
    assert stores.archive.span(LEVEL.id) == (T0 - 10 * SECOND, T0)
    found = stores.archive.readings(LEVEL.id, T0 - 60 * SECOND, T0 + 1, None, 10)
    assert [reading.value for reading in found] == [1.0, 2.0, 5.0]


def test_readings_come_whole_in_order_and_in_pages(stores: Stores) -> None:
    level, warmth = adopt(stores)
    rows = readings(level, [float(n) for n in range(10)])
    rows[3] = (rows[3][0], level, 3.0, 2, "outside valid range")
    stores.journal.commit(Group(readings=[*reversed(rows), *readings(warmth, [25.0] * 10)]))
    start, end = T0, T0 + 45 * SECOND  # the tenth lies at the end, which is not included
    first = stores.archive.readings(LEVEL.id, start, end, None, 4)
    rest = stores.archive.readings(LEVEL.id, start, end, first[-1].time, 100)
    assert [reading.value for reading in (*first, *rest)] == [float(n) for n in range(9)]
    assert first[3] == Reading(LEVEL.id, rows[3][0], 3.0, Quality.BAD, "outside valid range")
    assert first[2] == Reading(LEVEL.id, rows[2][0], 2.0, Quality.GOOD, "")


def test_buckets(stores: Stores) -> None:
    level, warmth = adopt(stores)
    rows = readings(level, [1.0, 2.0, 6.0, 4.0])
    rows[3] = (rows[3][0], level, 400.0, 2, "outside valid range")  # bad: not counted
    rows.append((T0 + 16 * SECOND, level, 8.0, 1, "retained value"))  # uncertain: counted
    rows.append((T0 + 40 * SECOND, level, 9.0, 0, ""))  # after the range
    stores.journal.commit(Group(readings=rows + readings(warmth, [25.0] * 9)))
    found = stores.archive.series(LEVEL.id, T0, T0 + 40 * SECOND, 4)
    assert list(found) == [
        Bucket(T0, T0 + 10 * SECOND, 1.0, 1.5, 2.0, 2, 1.0, 2.0),
        Bucket(T0 + 10 * SECOND, T0 + 20 * SECOND, 6.0, 7.0, 8.0, 2, 6.0, 8.0),
    ]  # and a gap stays a gap


def test_buckets_of_a_range_that_does_not_divide(stores: Stores) -> None:
    level, _ = adopt(stores)
    stores.journal.commit(Group(readings=[(T0 + n, level, float(n), 0, "") for n in range(10)]))
    found = stores.archive.series(LEVEL.id, T0, T0 + 10, 3)
    assert [(b.start - T0, b.end - T0, b.count) for b in found] == [
        (0, 4, 4),
        (4, 8, 4),
        (8, 10, 2),
    ]
    assert [b.mean for b in found] == [1.5, 5.5, 8.5]
    fine = stores.archive.series(LEVEL.id, T0, T0 + 10, 1000)
    assert [b.mean for b in fine] == [float(n) for n in range(10)]
    assert stores.archive.series(LEVEL.id, T0, T0, 3) == []
    with pytest.raises(ValueError, match="at least one"):
        stores.archive.series(LEVEL.id, T0, T0 + 10, 0)


def test_a_channel_without_readings_and_one_that_never_was(stores: Stores) -> None:
    adopt(stores)
    assert stores.archive.span(LEVEL.id) is None
    assert stores.archive.newest() == {}
    assert stores.archive.series(LEVEL.id, T0, T0 + 1, 10) == []
    with pytest.raises(KeyError, match="no/such/channel"):
        stores.archive.span("no/such/channel")
    with pytest.raises(KeyError, match="no/such/channel"):
        stores.archive.series("no/such/channel", 0, 1, 1)
    with pytest.raises(KeyError, match="no/such/channel"):
        stores.archive.readings("no/such/channel", 0, 1, None, 1)


def test_numbers_out_of_any_range_are_answered(stores: Stores) -> None:
    level, _ = adopt(stores)
    stores.journal.commit(Group(readings=readings(level, [1.0])))
    far = 10**40
    assert len(stores.archive.readings(LEVEL.id, -far, far, -far, far)) == 1
    assert stores.archive.readings(LEVEL.id, -far, far, far, -1) == []
    assert [b.count for b in stores.archive.series(LEVEL.id, -far, far, 3)] == [1]
    weighted = stores.archive.series_of([LEVEL.id], -far, far, 1, weighted=True)[LEVEL.id]
    assert [b.time_mean for b in weighted] == [1.0]
    assert stores.archive.events(-far, far, -far, far) == []
    assert stores.archive.notices(far, -far) == []
    assert stores.archive.quarantined(-far) == []


# --- alarms, events, nodes, quarantine -------------------------------------------------------


def test_an_alarm_is_overwritten_and_others_stay(stores: Stores) -> None:
    adopt(stores)
    stores.journal.commit(Group(alarms={"a": Alarm("a"), "b": Alarm("b", value=1.5)}))
    raised = Alarm("a", AlarmState.ACKNOWLEDGED, raised_at=T0, acknowledged_by="Mara")
    stores.journal.commit(Group(alarms={"a": raised}))
    assert stores.archive.alarms() == {"a": raised, "b": Alarm("b", value=1.5)}


def test_the_alarm_of_a_rule_that_no_longer_exists_is_forgotten(stores: Stores) -> None:
    adopt(stores)
    stores.journal.commit(Group(alarms={"a": Alarm("a"), "b": Alarm("b")}))
    closing = Event(T0, "rule-deleted", rule="a")
    stores.journal.commit(Group(events=[(1, closing)], closed=["a", "never-was"]))
    assert set(stores.archive.alarms()) == {"b"}
    found = stores.journal.restore()
    assert (set(found.alarms), set(found.rule_marks)) == ({"b"}, {"b"})
    assert stores.archive.events(None, None, 0, 1)[0].event == closing


def test_events_follow_commit_order_and_can_be_cut_by_time(stores: Stores) -> None:
    adopt(stores)
    times = [T0, T0 + 30, T0 + 10, T0 + 20]  # the second was decided on a late reading
    for seq, time in enumerate(times, start=1):
        event = Event(time, "raised", rule=f"r{seq}")
        stores.journal.commit(Group(events=[(seq, event)], committed_at=T0 + 100 + seq))
    every = stores.archive.events(None, None, 0, 100)
    assert [(found.seq, found.event.time) for found in every] == [*enumerate(times, start=1)]
    assert every[2].committed_at == T0 + 103
    cut = stores.archive.events(T0 + 10, T0 + 30, 0, 100)
    assert [found.seq for found in cut] == [3, 4]
    assert [found.seq for found in stores.archive.events(T0 + 10, None, 2, 1)] == [3]
    assert [found.seq for found in stores.archive.events(None, T0 + 11, 0, 9)] == [1, 3]
    assert stores.archive.last_seq() == 4


def test_nodes_keep_their_last_word(stores: Stores) -> None:
    adopt(stores)
    for state in (NodeState("a/b", True, T0, "battery"), NodeState("a/b", False, T0 + 9)):
        stores.journal.commit(Group(nodes={"a/b": state}))
        assert stores.archive.nodes() == {"a/b": state}


def test_quarantine_is_bounded_and_its_counts_are_not(stores: Stores) -> None:
    adopt(stores)
    items = [
        Quarantined(T0 + n, f"t/{n}", "not-senml" if n % 2 else "wrong-unit", "why", b"x" * 5000)
        for n in range(1500)
    ]
    stores.journal.commit(Group(quarantined=items[:900]))
    stores.journal.commit(Group(quarantined=items[900:]))
    found = stores.archive.quarantined(5000)
    assert [item.topic for item in found] == [f"t/{n}" for n in range(1499, 499, -1)]
    assert found[0] == replace(items[-1], payload=b"x" * 4096)
    assert stores.archive.quarantine_counts() == {"not-senml": 750, "wrong-unit": 750}
    assert len(stores.archive.quarantined(3)) == 3


# --- notices ---------------------------------------------------------------------------------


def test_a_notice_until_it_is_delivered(stores: Stores) -> None:
    adopt(stores)
    stores.journal.commit(Group(notices=[notice(1)]))
    assert stores.outbox.due(T0 - 1, 10) == []
    assert stores.outbox.due(T0, 10) == [notice(1)]
    assert stores.outbox.next_due() == T0
    stores.outbox.failed("1/keeper", "no route to host", T0 + 60)
    assert stores.outbox.due(T0 + 59, 10) == []
    assert stores.outbox.next_due() == T0 + 60
    tried = replace(notice(1), attempts=1, next_try=T0 + 60, last_error="no route to host")
    assert stores.outbox.due(T0 + 60, 10) == [tried]
    stores.outbox.delivered("1/keeper", T0 + 61)
    assert stores.outbox.due(T0 + 99, 10) == []
    assert stores.outbox.next_due() is None
    done = replace(tried, state="delivered", attempts=2, delivered_at=T0 + 61)
    assert stores.archive.notices(0, 10) == [(1, done)]


def test_a_notice_that_is_given_up(stores: Stores) -> None:
    adopt(stores)
    stores.journal.commit(Group(notices=[notice(1)]))
    stores.outbox.failed("1/keeper", "address refused", None)
    assert stores.outbox.next_due() is None
    ((number, found),) = stores.archive.notices(0, 10)
    assert (number, found.state, found.attempts) == (1, "given-up", 1)
    assert found.last_error == "address refused"


def test_a_notice_committed_again_is_not_sent_again(stores: Stores) -> None:
    adopt(stores)
    stores.journal.commit(Group(notices=[notice(1)]))
    stores.outbox.delivered("1/keeper", T0)
    stores.journal.commit(Group(notices=[notice(1)]))
    assert stores.outbox.due(T0 + 99, 10) == []
    assert len(stores.archive.notices(0, 10)) == 1


def test_oldest_event_first_and_no_recipient_waits_for_another(stores: Stores) -> None:
    adopt(stores)
    queue = [notice(seq, "keeper") for seq in (3, 1, 2)] + [notice(9, "helper")]
    stores.journal.commit(Group(notices=queue))
    due = [(item.recipient, item.event_seq) for item in stores.outbox.due(T0, 3)]
    assert due == [("keeper", 1), ("helper", 9), ("keeper", 2)]


def test_notices_are_paged_by_number(stores: Stores) -> None:
    adopt(stores)
    stores.journal.commit(Group(notices=[notice(seq) for seq in range(1, 6)]))
    first = stores.archive.notices(0, 2)
    rest = stores.archive.notices(first[-1][0], 10)
    assert [item.event_seq for _, item in (*first, *rest)] == [1, 2, 3, 4, 5]
