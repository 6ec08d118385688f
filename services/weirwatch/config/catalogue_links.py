"""Which other channels and rules of a file a catalogue rule speaks of: `while` and causes."""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from weirwatch.config.catalogue_figures import FIGURES, Seen
from weirwatch.config.catalogue_limits import figure_value, in_unit
from weirwatch.config.catalogue_parts import PARTS
from weirwatch.config.catalogue_template import Template
from weirwatch.pipeline.formulas import FORMULAS
from weirwatch.settings import PlantSettings

_NOBODY = Seen("")
_BEYOND = ("above", "below")


@dataclass(frozen=True, slots=True)
class Links:
    """The channels of a file, to be found by the part that they play."""

    channels: Mapping[str, Seen]
    plant: PlantSettings | None
    rules: Mapping[str, str]  # failure → id of its first rule that looks at a switch

    @classmethod
    def of(cls, document: Mapping[str, Any], plant: PlantSettings | None) -> "Links":
        """Return those of a document, derived ones too."""
        channels = {channel.id: channel for channel in _channels(document)}
        rules: dict[str, str] = {}
        for table in _tables(document, "rule", "channel"):
            named = (table.get(key) for key in ("failure", "from_catalogue", "id"))
            failure = next((str(name) for name in named if name), "")
            channel = channels.get(table["channel"])
            if channel is not None and channel.quantity == "switch":
                rules.setdefault(failure, str(table.get("id", failure)))
        return cls(channels, plant, rules)

    def channel(self, name: object) -> Seen:
        """Return a channel by its id, or one of which nothing is known."""
        return self.channels.get(name, _NOBODY) if isinstance(name, str) else _NOBODY

    def linked(self, template: Template, channel: Seen) -> tuple[dict[str, Any], list[str]]:
        """Return the keys that name other channels, and those for which there is none."""
        found: dict[str, Any] = {}
        missing = []
        for key, link in template.links.items():
            value = (
                self._find(link, channel) if isinstance(link, str) else self._terms(link, channel)
            )
            if value is None:
                missing.append(key)
            elif value:
                found[key] = value if isinstance(value, list) else value.id
        return found, missing

    def _find(self, part: str, of: Seen) -> Seen | None:
        plays = PARTS[part]
        return next((c for c in self.channels.values() if plays(self.plant, c, of)), None)

    def _terms(self, terms: Sequence[Mapping[str, Any]], of: Seen) -> list[dict[str, Any]] | None:
        written = []
        for term in terms:
            done = self._term(term, of)
            if done is not None:
                written.append(done)
            elif not term.get("optional"):
                return None
        return written

    def _term(self, term: Mapping[str, Any], of: Seen) -> dict[str, Any] | None:
        if "alarm" in term:
            rule = self.rules.get(term["alarm"])
            return None if rule is None else {"alarm": rule}
        if "channel" not in term:
            return dict(term)
        channel = self._find(term["channel"], of)
        if channel is None:
            return None
        written: dict[str, Any] = {"channel": channel.id}
        for key, value in term.items():
            if key in _BEYOND and isinstance(value, Mapping):
                limit = figure_value(value, self.plant, channel)
                if limit is None:
                    return None
                unit = FIGURES[value["of"]].unit
                written[key] = in_unit(limit, unit, channel.unit)
            elif key not in ("channel", "optional"):
                written[key] = value
        return written


def with_causes(rules: Sequence[Any], chosen: Mapping[int, Template]) -> list[Any]:
    """Return the rules with what keeps the catalogue's quiet, unless they say so themselves.

    Only rules that sound before the one that they keep quiet: others could not.
    """
    return [
        raw | _quiet(raw, rules, chosen[at]) if at in chosen and "suppressed_by" not in raw else raw
        for at, raw in enumerate(rules)
    ]


def _quiet(raw: Mapping[str, Any], rules: Sequence[Any], template: Template) -> dict[str, Any]:
    own_s = _delay_s(raw)
    causes = [
        rule["id"]
        for rule in rules
        if isinstance(rule, dict)
        and isinstance(rule.get("id"), str)
        and rule.get("failure", rule["id"]) in template.causes
        and rule["id"] != raw.get("id")
        and _delay_s(rule) < own_s
    ]
    if not causes:
        return {}
    held = (
        {}
        if "hold_off_s" in raw or not template.hold_off_s
        else {"hold_off_s": template.hold_off_s}
    )
    return {"suppressed_by": causes, **held}


def _delay_s(rule: Mapping[str, Any]) -> float:
    """Return when a rule sounds at the earliest; infinite for one of which that is not certain."""
    if rule.get("kind") in ("bad-measurement", "system"):
        return float("inf")
    spans = [rule.get(key, 0.0) for key in ("on_delay_s", "within_s")]
    if rule.get("kind") != "discrepancy":
        spans = spans[:1]
    return sum(span if isinstance(span, int | float) else float("inf") for span in spans)


def _channels(document: Mapping[str, Any]) -> Iterator[Seen]:
    for table in _tables(document, "channel"):
        quantity, unit, vessel = (str(table.get(key, "")) for key in ("quantity", "unit", "vessel"))
        states, title = _words(table.get("states")), str(table.get("title", ""))
        yield Seen(table["id"], quantity, unit, vessel, states, title)
    for table in _tables(document, "derived"):
        formula = FORMULAS.get(str(table.get("formula", "")))
        if formula is not None:
            texts = (formula.quantity, formula.unit, str(table.get("vessel", "")))
            yield Seen(table["id"], *texts, title=str(table.get("title", "")))


def _words(states: object) -> tuple[str, ...]:
    return tuple(map(str, states)) if isinstance(states, list) else ()


def _tables(document: Mapping[str, Any], key: str, needs: str = "id") -> Iterator[dict[str, Any]]:
    tables = document.get(key)
    for table in tables if isinstance(tables, list) else ():
        if isinstance(table, dict) and isinstance(table.get(needs), str):
            yield table
