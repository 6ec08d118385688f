"""A few of the random stories of `tests/bench/stories.py`."""

from bench.stories import Tally, run


def test_engine_and_reference_agree_in_some_stories() -> None:
    tally = Tally(1, 36, None)
    assert run(tally, seconds=600, steps=36, stories=60)
    seen = {name.split()[1] for name in tally.found}
    assert {"raised", "returned", "announced", "released", "shelved", "acknowledged"} <= seen
