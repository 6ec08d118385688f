"""Whatever a drill can miss, it has a word for."""

from weirsim.scenarios import SCENARIOS
from weirwatch.config.catalogue import load_catalogue
from weirwatch.pipeline.drill_advice import ADVICE


def test_every_failure_that_is_played_has_its_advice() -> None:
    assert SCENARIOS.keys() <= ADVICE.keys() <= load_catalogue().failures.keys()
