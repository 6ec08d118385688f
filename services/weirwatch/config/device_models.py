"""What may stand in `[[device]]`, and what it becomes."""

from collections.abc import Iterable
from typing import Annotated

from pydantic import Field

from weirwatch.config.values import AnyText, Name, Section, Title
from weirwatch.domain.devices import Device
from weirwatch.domain.rule import Rule

FACTS = ("place", "breaker", "rcd", "valve", "stop_cock")


class DeviceConfig(Section):
    """`[[device]]`: where the power and the water of something that can fail are cut off."""

    id: Name = Field(examples=["return-pump"])
    title: Title = Field("", examples=["Return pump"])
    rules: Annotated[list[AnyText], Field(min_length=1)] = Field(examples=[["return-pump-stopped"]])
    place: Title = Field("", examples=["in the sump cabinet, left"])
    breaker: Title = Field("", examples=["no. 7 on the board in the passage"])
    rcd: Title = Field("", examples=["no. 2 on the same board"])
    valve: Title = Field("", examples=["red ball valve above the pump"])
    stop_cock: Title = Field("", examples=["under the kitchen sink"])

    def to_domain(self, rules: Iterable[Rule]) -> Device:
        """Return the device; `rules` are all rules as they will run."""
        rules = tuple(rules)
        return Device(
            id=self.id,
            title=self.title or self.id.replace("-", " ").replace("_", " ").capitalize(),
            rules=frozenset(rule.id for rule in rules if _about(self, rule, rules)),
            place=self.place,
            breaker=self.breaker,
            rcd=self.rcd,
            valve=self.valve,
            stop_cock=self.stop_cock,
        )


def _about(config: DeviceConfig, rule: Rule, rules: tuple[Rule, ...]) -> bool:
    """Whether the rule is named by its id or, where no rule has that id, by its failure."""
    ids = {other.id for other in rules}
    return rule.id in config.rules or (rule.failure in config.rules and rule.failure not in ids)
