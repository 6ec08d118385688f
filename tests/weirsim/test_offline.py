import pytest
from support.plants import START_US

from weirsim.faults import Fault
from weirsim.harbour_hall import NODES, SPEC, SUMP_NODE
from weirsim.instruments import channels
from weirsim.offline import simulate


def test_every_channel_speaks_every_five_seconds_in_time_order() -> None:
    rows = list(simulate(SPEC, 60.0, seed=1))
    times = [time for time, _, _ in rows]
    assert times == sorted(times)
    assert len(rows) == 12 * len(channels("harbour-hall", NODES))
    assert {channel for _, channel, _ in rows} == set(channels("harbour-hall", NODES))
    assert (times[0], times[-1]) == (START_US + 5_000_000, START_US + 60_000_000)


def test_the_same_seed_gives_the_same_readings() -> None:
    first, again, other = (list(simulate(SPEC, 120.0, seed=seed)) for seed in (1, 1, 2))
    assert first == again
    assert first != other


def test_one_probe_more_changes_no_other_probe_s_noise() -> None:
    alone = list(simulate(SPEC, 60.0, seed=1, nodes=(SUMP_NODE,)))
    among = [row for row in simulate(SPEC, 60.0, seed=1) if "/sump-node/" in row[1]]
    assert alone == among


def test_a_wrong_fault_is_told_before_the_first_value() -> None:
    with pytest.raises(ValueError, match="unknown fault"):
        simulate(SPEC, 60.0, [Fault("coffee-spilt")])


def test_a_gap_is_a_gap() -> None:
    cut = Fault("mains-lost", 20.0, duration_s=20.0)
    times = [
        (time - START_US) / 1e6
        for time, channel, _ in simulate(SPEC, 60.0, [cut])
        if channel == "harbour-hall/sump-node/level"
    ]
    assert times == [5.0, 10.0, 15.0, 20.0, 45.0, 50.0, 55.0, 60.0]
