"""Which failure, and so which safety card, a rule means that names none."""

from collections.abc import Mapping

from weirwatch.config.models import ChannelConfig
from weirwatch.config.rule_models import AbsoluteConfig, BadMeasurementConfig, RuleConfig

# (quantity, side) -> failure. None of them is bold: what may never be suppressed is named by hand.
_BY_QUANTITY: Mapping[tuple[str, str], str] = {
    ("level", "high"): "sump-high",
    ("level", "low"): "sump-low",
    ("flow", "low"): "return-flow-reduced",
    ("temperature", "high"): "chiller-failed",
    ("temperature", "low"): "heater-failed-off",
    ("ph", "high"): "ph-high",
    ("ph", "low"): "ph-low-room-co2",
    ("ammonia", "high"): "ammonia-high",
    ("alkalinity", "high"): "alkalinity-overdose",
    ("charge", "low"): "battery-low",
    ("voltage", "low"): "battery-low",
}
_BY_QUANTITY_ONLY: Mapping[str, str] = {
    "salinity": "salinity-drift",
    "conductivity": "salinity-drift",
    "flow": "return-flow-reduced",
}
_LAST = "probe-drift"  # its card says: check with a second method before you act


def failure_of(rule: RuleConfig, channel: ChannelConfig | None, known: Mapping[str, bool]) -> str:
    """Return the rule's failure: as named, else its id if that is one, else by what it watches.

    Args:
        rule: the rule.
        channel: its channel, if it can be used.
        known: every failure of the catalogue by id.
    """
    if rule.failure is not None:
        return rule.failure
    if rule.id in known:
        return rule.id
    if isinstance(rule, BadMeasurementConfig):
        return "probe-frozen" if rule.frozen_s is not None and not rule.silent else "probe-silent"
    quantity = channel.quantity if channel is not None else ""
    side = ""
    if isinstance(rule, AbsoluteConfig):
        side = "high" if rule.high is not None else "low"
    by_side = _BY_QUANTITY.get((quantity, side))
    return by_side or _BY_QUANTITY_ONLY.get(quantity, _LAST)
