"""Hypothesis without a stop-watch, since machines are shared; settled examples in CI."""

import os

from hypothesis import settings

settings.register_profile("unhurried", deadline=None)
settings.register_profile("ci", deadline=None, derandomize=True)
settings.load_profile("ci" if os.environ.get("CI") else "unhurried")
