"""Patience: failures by address, pauses that double, a bucket of requests."""

from weirwatch.domain.instant import SECOND
from weirwatch.web.lockout import (
    FIRST_PAUSE,
    FORGIVEN_AFTER,
    FREE_FAILURES,
    LONGEST_PAUSE,
    Lockout,
    RateLimit,
)


def test_pauses_double_up_to_the_longest() -> None:
    lockout, now = Lockout(), 0
    assert [lockout.failed("a", now) for _ in range(FREE_FAILURES - 1)] == [0] * (FREE_FAILURES - 1)
    pauses = []
    for _ in range(30):
        pauses.append(lockout.failed("a", now))
        assert lockout.remaining("a", now) == pauses[-1]
        now += pauses[-1]
        assert lockout.remaining("a", now) == 0
    assert pauses[:3] == [FIRST_PAUSE, 2 * FIRST_PAUSE, 4 * FIRST_PAUSE]
    assert pauses[-1] == LONGEST_PAUSE


def test_one_address_does_not_lock_out_another() -> None:
    lockout = Lockout()
    for _ in range(10):
        lockout.failed("a", 0)
    assert lockout.remaining("b", 0) == 0


def test_success_and_time_forgive() -> None:
    lockout = Lockout()
    for _ in range(FREE_FAILURES):
        lockout.failed("a", 0)
    lockout.succeeded("a")
    assert lockout.failed("a", 0) == 0
    for _ in range(FREE_FAILURES):
        lockout.failed("a", 0)
    later = lockout.remaining("a", 0) + FORGIVEN_AFTER + 1
    assert lockout.failed("a", later) == 0


def test_no_flood_of_addresses_fills_the_memory() -> None:
    lockout, limit = Lockout(), RateLimit()
    for n in range(10_000):
        lockout.failed(str(n), 0)
        limit.wait_s(str(n), 0)
    assert len(lockout._failures) <= 4096
    assert len(limit._buckets) <= 4096


def test_a_bucket_gives_its_burst_and_then_its_rate() -> None:
    limit = RateLimit(per_second=2.0, burst=4.0)
    assert [limit.wait_s("a", 0) for _ in range(5)] == [0, 0, 0, 0, 0.5]
    assert limit.wait_s("b", 0) == 0
    assert limit.wait_s("a", SECOND // 2) == 0
    assert limit.wait_s("a", SECOND // 2) == 0.5
