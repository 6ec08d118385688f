"""What a rule of the catalogue consists of, as it stands in `catalogue_rules.toml`."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

ANY = "*"


@dataclass(frozen=True, slots=True)
class Template:
    """A rule to start from.

    Attributes:
        quantity: of the channels it is for; `*`: any.
        unit: of its limits; empty: it has none, or none is converted.
        keys: of the `[[rule]]`, as they stand in a configuration.
        plant: keys that follow from the plant: `{ of = figure, times = 1, plus = 0 }` of
            `catalogue_figures.FIGURES`; louder than `keys` where the plant tells the figure.
        give: keys that only the keeper can say.
        links: keys that name another channel: `from = "twin"`, or `while`, a list of terms with
            the part of a channel (`catalogue_links.PARTS`) for its id, or a failure for the alarm
            of its rule. A term may be `optional`.
        near: part that a channel plays which it is suggested for; empty: any of the quantity.
            `from_catalogue` may name any other channel.
        causes: failures whose rules keep this one quiet, if they sound before it.
        hold_off_s: after those causes.
    """

    failure: str
    quantity: str
    keys: Mapping[str, Any]
    unit: str = ""
    plant: Mapping[str, Mapping[str, Any]] = field(default_factory=dict)
    give: Sequence[str] = field(default_factory=tuple)
    links: Mapping[str, Any] = field(default_factory=dict)
    near: str = ""
    causes: Sequence[str] = field(default_factory=tuple)
    hold_off_s: float = 0.0

    def title_on(self, label: str) -> str:
        """Return the title on a channel; a rule for any channel says which one it watches."""
        title = str(self.keys["title"])
        return f"{title}: {label}" if self.quantity == ANY and label else title

    @property
    def said(self) -> frozenset[str]:
        """Every key that it gives or asks for."""
        return frozenset((*self.keys, *self.plant, *self.give, *self.links))
