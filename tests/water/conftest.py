"""Hypothesis without a stop-watch: a busy machine is no fault of a formula."""

from hypothesis import settings

if settings.get_current_profile_name() == "default":
    settings.register_profile("unhurried", deadline=None)
    settings.load_profile("unhurried")
