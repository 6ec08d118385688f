from math import exp, sqrt
from random import Random
from statistics import mean, stdev

import pytest

from weirsim.instruments import ProbeSpec
from weirsim.probes import Probe
from weirsim.upset import ProbeTrouble


def probe(truth: list[float], seed: int = 1, **spec: object) -> Probe:
    fields = {"name": "x", "source": "level:sump", "quantity": "level", **spec}
    return Probe(ProbeSpec(**fields), lambda: truth[0], 5.0, Random(seed))  # type: ignore[arg-type]


def samples(instrument: Probe, count: int) -> list[float]:
    return [value for _ in range(count) if (value := instrument.sample()) is not None]


def test_a_perfect_probe_reads_the_truth() -> None:
    assert samples(probe([25.123456789]), 3) == [25.123456789] * 3


def test_noise_has_the_mean_and_the_spread_it_should() -> None:
    values = samples(probe([300.0], noise=0.6), 4000)
    assert mean(values) == pytest.approx(300.0, abs=4 * 0.6 / sqrt(4000))
    assert stdev(values) == pytest.approx(0.6, rel=0.05)


def test_noise_repeats_with_its_seed_and_differs_without() -> None:
    first, again, other = (samples(probe([1.0], seed, noise=1.0), 20) for seed in (7, 7, 8))
    assert first == again
    assert first != other


@pytest.mark.parametrize(
    ("resolution", "truth", "reading"),
    [(0.0625, 25.40, 25.375), (10.0, 6004.9, 6000.0), (0.5, 60.3, 60.5), (0.01, 8.1449, 8.14)],
)
def test_readings_come_in_steps(resolution: float, truth: float, reading: float) -> None:
    assert samples(probe([truth], resolution=resolution), 1) == [reading]


def test_quantisation_adds_the_variance_of_its_step() -> None:
    """Uniform error of a step q: variance q²/12, on top of the noise's own."""
    values = samples(probe([300.3], noise=0.6, resolution=1.0), 6000)
    assert stdev(values) == pytest.approx(sqrt(0.36 + 1.0 / 12.0), rel=0.05)


def test_a_lag_follows_a_step_exponentially() -> None:
    truth = [20.0]
    slow = probe(truth, lag_s=20.0)
    assert slow.sample() == 20.0
    truth[0] = 30.0
    for k in range(1, 9):
        assert slow.sample() == pytest.approx(30.0 - 10.0 * exp(-k * 5.0 / 20.0))


def test_a_probe_saturates_at_its_ends() -> None:
    truth = [500.0]
    ended = probe(truth, valid=(0.0, 450.0))
    assert ended.sample() == 450.0
    truth[0] = -3.0
    assert ended.sample() == 0.0


def test_a_meter_that_does_not_turn_reads_nothing() -> None:
    truth = [90.0]
    turbine = probe(truth, noise=25.0, starts_at=100.0, valid=(0.0, 9000.0))
    assert samples(turbine, 50) == [0.0] * 50
    truth[0] = 110.0
    assert len(set(samples(turbine, 50))) > 40


def test_dropped_samples_are_as_many_as_told() -> None:
    came = len(samples(probe([1.0], drop_share=0.3), 4000))
    assert came / 4000 == pytest.approx(0.7, abs=4 * sqrt(0.3 * 0.7 / 4000))


def test_a_frozen_probe_repeats_and_thaws() -> None:
    truth = [5.0]
    stuck = probe(truth)
    assert stuck.sample(ProbeTrouble(frozen=True)) == 5.0  # nothing yet to repeat
    truth[0] = 9.0
    assert stuck.sample(ProbeTrouble(frozen=True)) == 5.0
    assert stuck.sample() == 9.0


def test_drift_is_a_share_of_the_range_or_of_the_value() -> None:
    assert probe([100.0], valid=(0.0, 400.0)).sample(ProbeTrouble(drift=0.05)) == 120.0
    assert probe([100.0]).sample(ProbeTrouble(drift=0.05)) == 105.0


def test_power_up_forgets_the_lag() -> None:
    truth = [20.0]
    slow = probe(truth, lag_s=100.0)
    slow.sample()
    truth[0] = 30.0
    slow.power_up()
    assert slow.sample() == 30.0


def test_a_fouled_probe_follows_slowly() -> None:
    truth = [8.0]
    slow = probe(truth, lag_s=20.0)
    fouled = ProbeTrouble(fouled=1.0)
    slow.sample(fouled)
    truth[0] = 9.0
    for k in range(1, 100):
        expected = 9.0 - exp(-k * 5.0 / 1820.0)
        assert slow.sample(fouled) == pytest.approx(expected)


def test_a_bubble_throws_single_readings_off_downwards() -> None:
    bubbly = probe([8.0], valid=(4.0, 10.0))
    values = [bubbly.sample(ProbeTrouble(bubble=0.3)) for _ in range(2000)]
    off = [value for value in values if value is not None and value < 8.0]
    assert len(off) / 2000 == pytest.approx(0.3, abs=4 * sqrt(0.3 * 0.7 / 2000))
    assert 8.0 - 0.3 * 6.0 <= min(off) < 7.0


def test_a_dropping_probe_leaves_readings_out() -> None:
    dropping = probe([1.0])
    came = [v for _ in range(2000) if (v := dropping.sample(ProbeTrouble(dropped=0.5)))]
    assert len(came) / 2000 == pytest.approx(0.5, abs=4 * 0.5 / sqrt(2000))


def test_in_its_cup_a_probe_reads_the_cup() -> None:
    """The usual buffer is 7.00 at 25 °C."""
    assert probe([8.1], quantity="ph").sample(ProbeTrouble(in_cup=True)) == 7.0
    cup = Probe(
        ProbeSpec("t", "temperature:sump", "temperature"),
        lambda: 25.0,
        5.0,
        Random(1),
        lambda: 21.0,
    )
    assert cup.sample(ProbeTrouble(in_cup=True)) == 21.0


def test_an_analyser_repeats_its_result_until_the_next_one() -> None:
    truth = [8.0]
    slow = probe(truth, hold_s=20.0)
    found = []
    for step in range(9):
        truth[0] = 8.0 + step
        found.append(slow.sample())
    assert found == [8.0, 8.0, 8.0, 8.0, 12.0, 12.0, 12.0, 12.0, 16.0]
