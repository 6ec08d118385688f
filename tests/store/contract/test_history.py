"""What every history must do, whatever keeps it: the same cases for the file and for servers."""

from dataclasses import replace

import pytest
from support.contract_world import World
from support.stored import LEVEL, T0, WARMTH, Row, readings

from weirwatch.domain.errors import ConfigError
from weirwatch.domain.instant import SECOND
from weirwatch.domain.reading import Quality, Reading
from weirwatch.store.block import HOUR
from weirwatch.store.far import archive

STEP = 60 * SECOND


def stored(world: World, channel: str = LEVEL.id, start: int = 0, end: int = 2**60) -> list[Row]:
    found = world.archive.readings(channel, start, end, None, 10**6)
    return [(r.time, 0, r.value, int(r.quality), r.reason) for r in found]


def bare(rows: list[Row]) -> list[Row]:
    return [(row[0], 0, *row[2:]) for row in rows]


def day(world: World, hours: int = 4) -> list[Row]:
    """A reading a minute for some hours, committed as they pass."""
    level = world.numbers[LEVEL.id]
    rows: list[Row] = []
    for hour in range(hours):
        some = readings(level, [hour + n / 64 for n in range(60)], T0 + hour * HOUR, STEP)
        world.commit(some)
        rows += some
        world.pass_time(HOUR)
    return rows


def test_a_range_is_what_was_committed(world: World) -> None:
    rows = day(world)
    assert stored(world) == bare(rows)  # all of it is recent still
    world.settle()
    assert stored(world) == bare(rows)
    start, end = T0 + 90 * STEP, T0 + 130 * STEP
    assert stored(world, start=start, end=end) == bare(rows[90:130])
    first = world.archive.readings(LEVEL.id, start, end, None, 7)
    more = world.archive.readings(LEVEL.id, start, end, first[-1].time, 7)
    assert [r.value for r in (*first, *more)] == [row[2] for row in rows[90:104]]
    assert world.archive.span(LEVEL.id) == (rows[0][0], rows[-1][0])
    assert stored(world, WARMTH.id) == []
    with pytest.raises(KeyError):
        world.archive.readings("nobody/knows/it", 0, 1, None, 1)


def test_values_times_qualities_and_reasons_come_back(world: World) -> None:
    level = world.numbers[LEVEL.id]
    rows: list[Row] = [
        (T0 + 1000, level, 0.1, 0, ""),
        (T0 + 2_345_000, level, -12.5, 1, 'warming up, "slowly" = 1\\2'),
        (T0 + 9_999_000, level, 1e9, 2, "outside valid range"),
        (T0 + 59_000_000, level, 0.0, 0, ""),
        (T0 + 60_000_000, level, 123456.789, 1, "retained value"),
    ]
    world.commit(rows)
    world.settle()
    assert stored(world) == bare(rows)


def test_buckets_of_hours_of_minutes_and_cut_ones(world: World) -> None:
    rows = day(world)
    world.settle()
    world.commit(readings(world.numbers[LEVEL.id], [50.0], world.clock.utc - STEP))
    later = world.clock.utc
    hours = world.archive.series(LEVEL.id, T0, T0 + 4 * HOUR, 4)
    assert [(b.start, b.end, b.count) for b in hours] == [
        (T0 + hour * HOUR, T0 + (hour + 1) * HOUR, 60) for hour in range(4)
    ]
    for hour, bucket in enumerate(hours):
        values = [row[2] for row in rows[hour * 60 : hour * 60 + 60]]
        assert (bucket.minimum, bucket.maximum) == (values[0], values[-1])
        assert (bucket.first, bucket.last) == (values[0], values[-1])
        assert bucket.mean == pytest.approx(sum(values) / 60, rel=1e-12)
    fine = world.archive.series(LEVEL.id, T0 + 30 * STEP, T0 + 90 * STEP, 12)
    assert [(b.start, b.count, b.first, b.last) for b in fine] == [
        (T0 + low * STEP, 5, rows[low][2], rows[low + 4][2]) for low in range(30, 90, 5)
    ]
    cut = world.archive.series(LEVEL.id, T0 + 30 * STEP, T0 + 150 * STEP, 2)
    assert [(b.count, b.first, b.last) for b in cut] == [
        (90, rows[30][2], rows[119][2]),
        (30, rows[120][2], rows[149][2]),
    ]
    both = world.archive.series(LEVEL.id, T0, later, 1)  # from the server and the file at once
    assert [(b.count, b.minimum, b.maximum, b.first, b.last) for b in both] == [
        (241, rows[0][2], 50.0, rows[0][2], 50.0)
    ]


def test_bad_readings_do_not_count_and_uncertain_ones_do(world: World) -> None:
    level = world.numbers[LEVEL.id]
    world.commit(
        [
            (T0 + 1 * STEP, level, 5.0, 1, "warming up"),
            (T0 + 2 * STEP, level, 999.0, 2, "outside valid range"),
            (T0 + 3 * STEP, level, 7.0, 0, ""),
            (T0 + 4 * STEP, level, 6.0, 1, "retained value"),
        ]
    )
    world.settle()
    (bucket,) = world.archive.series(LEVEL.id, T0, T0 + HOUR, 1)
    assert (bucket.minimum, bucket.mean, bucket.maximum, bucket.count) == (5.0, 6.0, 7.0, 3)
    assert (bucket.first, bucket.last) == (5.0, 6.0)


def test_means_weighted_by_time_are_the_same_from_any_store(world: World) -> None:
    """By hand, in minutes; a reading stands for an hour at most: there is no silent_after."""
    level, warmth = world.numbers[LEVEL.id], world.numbers[WARMTH.id]
    world.commit(
        [
            (T0 - STEP, level, 1.0, 0, ""),  # stands into the range
            (T0 + 10 * STEP, level, 5.0, 1, "warming up"),
            (T0 + 40 * STEP, level, 999.0, 2, "outside valid range"),  # nothing stands after it
            (T0 + 50 * STEP, level, 3.0, 0, ""),
            (T0 + 5 * STEP, warmth, 25.0, 0, ""),
        ]
    )
    world.pass_time(4 * HOUR)
    world.settle()
    world.commit([(T0 + 90 * STEP, level, 11.0, 0, "")])  # late: on its way, then settled
    now = world.clock.utc
    world.commit([(now - 3 * STEP, level, 2.0, 0, ""), (now - STEP, level, 5.0, 0, "")])  # recent

    def weighted(end: int, points: int) -> list[tuple[int, float | None]]:
        asked = (LEVEL.id, WARMTH.id)
        found = world.archive.series_of(asked, T0, end, points, weighted=True)
        width = found[LEVEL.id][0].end - T0
        assert [(b.start, b.end, b.time_mean) for b in found[WARMTH.id]] == [(T0, T0 + width, 25)]
        return [((b.start - T0) // STEP, b.time_mean) for b in found[LEVEL.id]]

    for _ in range(2):
        hours = [(0, (1 * 10 + 5 * 30 + 3 * 10) / 50), (60, (3 * 30 + 11 * 30) / 60)]
        assert weighted(T0 + 2 * HOUR, 2) == hours
        thirds = [(0, (1 * 10 + 5 * 10) / 20), (40, 3.0), (80, (3 * 10 + 11 * 10) / 20)]
        assert weighted(T0 + 2 * HOUR, 6) == thirds
        whole = (1 * 10 + 5 * 30 + 3 * 40 + 11 * 60 + 2 * 2 + 5 * 1) / (10 + 30 + 40 + 60 + 3)
        ((_, told),) = weighted(now, 1)
        assert told == pytest.approx(whole, rel=1e-12)
        world.settle()


def test_a_weighted_mean_is_read_over_the_ends_of_pages(
    world: World, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(archive, "_PAGE", 7)
    rows = day(world, 2)
    rows += readings(world.numbers[LEVEL.id], [500.0], T0 - 5000 * HOUR)
    world.journal.take_in([Reading(LEVEL.id, rows[-1][0], 500.0)], world.clock.utc)
    world.settle()
    found = world.archive.series_of(
        [LEVEL.id], T0 - 5000 * HOUR, T0 + 2 * HOUR, 5002, weighted=True
    )
    # By hand: a reading a minute, so over time as plain.
    assert [b.time_mean for b in found[LEVEL.id]] == [
        500.0,
        *(sum(row[2] for row in rows[n : n + 60]) / 60 for n in (0, 60)),
    ]


def test_a_gap_stays_a_gap(world: World) -> None:
    level = world.numbers[LEVEL.id]
    world.commit(readings(level, [1.0, 2.0]))
    world.commit(readings(level, [3.0], T0 + 5 * HOUR))
    world.pass_time(6 * HOUR)
    world.settle()
    found = world.archive.series(LEVEL.id, T0, T0 + 6 * HOUR, 6)
    assert [(b.start - T0) // HOUR for b in found] == [0, 5]
    assert len(stored(world)) == 3


def test_a_duplicate_changes_nothing(world: World) -> None:
    rows = day(world)
    assert world.commit([(*row[:2], -1.0, 2, "again") for row in rows[-5:]]) == 5
    world.settle()
    world.commit([(*row[:2], -1.0, 2, "again") for row in rows[:5]])  # long settled
    assert stored(world) == bare(rows)
    world.settle()
    assert stored(world) == bare(rows)


def test_a_late_reading_finds_its_place(world: World) -> None:
    rows = day(world)
    world.settle()
    late = [
        (T0 + n * STEP + 30 * SECOND, world.numbers[LEVEL.id], 70.0 + n, 0, "") for n in range(90)
    ]
    world.commit(late)
    wanted = bare(sorted(rows + late))
    assert stored(world) == wanted
    (bucket,) = world.archive.series(LEVEL.id, T0, T0 + HOUR, 1)
    assert (bucket.count, bucket.maximum) == (120, 129.0)
    world.settle()
    assert stored(world) == wanted
    (bucket,) = world.archive.series(LEVEL.id, T0, T0 + HOUR, 1)
    assert (bucket.count, bucket.maximum) == (120, 129.0)


def test_a_channel_keeps_its_unit(world: World) -> None:
    rows = day(world)
    world.settle()
    with pytest.raises(ConfigError, match="its history is in 'mm'"):
        world.journal.adopt((replace(LEVEL, unit="cm"), WARMTH), ())
    assert [c.unit for c in world.archive.channels() if c.id == LEVEL.id] == ["mm"]
    assert stored(world) == bare(rows)


def test_a_restart_loses_and_doubles_nothing(world: World) -> None:
    rows = day(world)
    world.restart()
    assert stored(world) == bare(rows)
    world.settle()
    world.restart()
    more = readings(world.numbers[LEVEL.id], [8.0, 9.0], world.clock.utc, STEP)
    world.commit(more)
    assert stored(world) == bare(rows + more)
    world.settle()
    assert stored(world) == bare(rows + more)
    assert world.archive.newest()[LEVEL.id].value == 9.0


def test_the_past_may_be_taken_in_twice(world: World) -> None:
    rows = day(world)
    world.settle()
    past = [Reading(LEVEL.id, T0 - 90 * HOUR + n * STEP, n / 8, Quality.GOOD) for n in range(200)]
    for _ in range(2):
        world.journal.take_in(past, world.clock.utc)
        world.settle()
        found = world.archive.readings(LEVEL.id, 0, 2**60, None, 10**6)
        assert list(found[:200]) == past
        assert len(found) == 200 + len(rows)


def test_a_server_that_is_away_for_hours_costs_nothing(world: World) -> None:
    rows = day(world, 2)
    world.settle()
    world.take_server_away()
    level = world.numbers[LEVEL.id]
    for _ in range(3):
        more = readings(level, [float(n) for n in range(60)], world.clock.utc, STEP)
        world.commit(more)
        rows += more
        world.pass_time(HOUR)
        if hasattr(world, "turn"):
            assert world.turn() >= 1.0  # it does not ask again at once
            assert "nothing is lost" in world.forwarder.as_json()["state"]  # type: ignore[attr-defined]
    assert stored(world, start=rows[120][0]) == bare(rows[120:])  # what is recent answers alone
    world.restart()
    world.bring_server_back()
    world.settle()
    assert stored(world) == bare(rows)
