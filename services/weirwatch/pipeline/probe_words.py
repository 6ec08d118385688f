"""What `report probes` says of one probe, for the command line and the page."""

from collections.abc import Mapping
from typing import Any


def probe_facts(probe: Mapping[str, Any]) -> list[str]:
    """Return what is known of one probe of the report, a phrase each."""
    facts = []
    if probe["calibrated_at"] is not None:
        facts.append(f"calibrated {probe['age_days']:.0f} days ago, {probe['verdict']}")
        facts.extend(probe["reasons"])
    if probe["slope_percent"] is not None:
        facts.append(f"slope {probe['slope_percent']:.1f} %, offset {probe['offset_mv']:.1f} mV")
    if probe["days_left"] is not None:
        facts.append(f"slope at its limit in {probe['days_left']:.0f} days")
    if probe["tests_differ"] is not None:
        facts.append(f"{probe['tests_differ']:+.3g} {probe['unit']} from {probe['tests']} tests")
    if probe["twin_differs"] is not None:
        facts.append(f"{probe['twin_differs']:+.3g} {probe['unit']} from its twin")
    if probe["seen"] is not None and probe["seen"] < 0.99:
        facts.append(f"seen in {probe['seen']:.0%} of the hours")
    return facts
