"""Every failure that takes minutes to hours, once, by the demo's own rules."""

import pytest

from weirsim.scenarios import SCENARIOS
from weirwatch.cli.demo_plant import demo_config
from weirwatch.cli.drill_run import Job, run_all
from weirwatch.config import load
from weirwatch.pipeline.drill_result import RunResult


@pytest.mark.slow
@pytest.mark.no_cover  # measuring it takes four times as long, and test_drill.py covers the same
@pytest.mark.parametrize("failure", [f for f in SCENARIOS if not SCENARIOS[f].slow])
def test_it_is_told_before_harm(failure: str) -> None:
    ((_, result),) = run_all(load(demo_config()), [Job(failure, 0, 1)], 1)
    assert isinstance(result, RunResult)
    assert result.verdict == "detected", result
    assert result.false_alarms == ()
    assert result.quarantined == 0
