"""Hypothesis without a stop-watch, settled examples in CI; the files that take longest first.

And patience with our own servers: where much else goes on, httpx's five seconds are short.
"""

import os
from collections import Counter

import httpx
import pytest
from hypothesis import HealthCheck, settings

_PATIENT = [HealthCheck.too_slow]  # a stop-watch as well; tests that name others must name it too
settings.register_profile("unhurried", deadline=None, suppress_health_check=_PATIENT)
settings.register_profile("ci", settings.get_profile("unhurried"), derandomize=True)
_IN_CI = os.environ.get("CI") or os.environ.get("WEIRWATCH_REQUIRE_ALL")
settings.load_profile("ci" if _IN_CI else "unhurried")

for span in ("connect", "read", "write", "pool"):  # of the default that every call shares
    setattr(httpx._config.DEFAULT_TIMEOUT_CONFIG, span, 30.0)

_SLOW = 100  # ordinary tests that a slow one is worth


@pytest.hookimpl(trylast=True)  # after -m and -k have left out what does not run
def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Put the files that take longest first, so that no worker is left alone with one at the end.

    Needs `--no-loadscope-reorder`: xdist by itself begins with the files of most tests.
    """
    weight = Counter[str]()
    for item in items:
        weight[str(item.path)] += _SLOW if item.get_closest_marker("slow") else 1
    items.sort(key=lambda item: -weight[str(item.path)])
