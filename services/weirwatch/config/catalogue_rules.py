"""The home of `from_catalogue`: rules that take what they do not say from the catalogue.

Done on the plain table, before any model reads it: what comes out is a rule as one could have
written it, checked like any other.
"""

import tomllib
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from importlib.resources import files
from typing import Any

from weirwatch.config.problems import Problem, did_you_mean
from weirwatch.domain.quantity import convert, known_unit

KEY = "from_catalogue"
ANY = "*"
_FILE = "catalogue_rules.toml"
_LIMITS = ("high", "low", "is")
_IN_UNIT = ("high", "low", "deadband", "limit")


@dataclass(frozen=True, slots=True)
class Template:
    """A rule to start from.

    Attributes:
        quantity: of the channels it is for; `*`: any.
        unit: of its limits; empty: it has none, or none is converted.
        keys: of the `[[rule]]`, as they stand in a configuration.
        give: keys that depend on the plant, so that only the keeper can say them.
    """

    failure: str
    quantity: str
    keys: Mapping[str, Any]
    unit: str = ""
    give: Sequence[str] = field(default_factory=tuple)


def load_templates() -> tuple[Template, ...]:
    """Return the rules that ship with this version."""
    text = files("weirwatch").joinpath(_FILE).read_text(encoding="utf-8")
    return tuple(Template(**table) for table in tomllib.loads(text)["rule"])


def with_catalogue(
    document: Mapping[str, Any], templates: Sequence[Template]
) -> tuple[dict[str, Any], list[Problem]]:
    """Return the document with its catalogue rules written out, and what is wrong with them."""
    rules = document.get("rule")
    if not isinstance(rules, list):
        return dict(document), []
    channels = dict(_channels(document))
    problems: list[Problem] = []
    written = []
    for at, raw in enumerate(rules, start=1):
        if isinstance(raw, dict) and KEY in raw:
            written.append(_written(raw, at, channels, templates, problems))
        else:
            written.append(raw)
    return {**document, "rule": written}, problems


def suggestions(
    failures: Iterable[str], quantities: Iterable[str], templates: Sequence[Template]
) -> list[str]:
    """Return those of the failures for which the catalogue has a rule on such a channel."""
    there = {*quantities, ANY}
    covered = {t.failure for t in templates if t.quantity in there}
    return [failure for failure in failures if failure in covered]


def _channels(document: Mapping[str, Any]) -> Iterator[tuple[str, tuple[str, str]]]:
    """Yield id, quantity and unit of every channel that says so, derived ones as far as known."""
    for key in ("channel", "derived"):
        tables = document.get(key)
        for table in tables if isinstance(tables, list) else ():
            if isinstance(table, dict) and isinstance(table.get("id"), str):
                quantity, unit = table.get("quantity", ""), table.get("unit", "")
                yield table["id"], (str(quantity), str(unit))


def _written(
    raw: dict[str, Any],
    at: int,
    channels: Mapping[str, tuple[str, str]],
    templates: Sequence[Template],
    problems: list[Problem],
) -> dict[str, Any]:
    own = {key: value for key, value in raw.items() if key != KEY}
    failure = raw[KEY]
    name = own.setdefault("id", failure)
    where = (
        f'rule "{name}": {KEY}' if isinstance(name, str) and "id" in raw else f"rule[{at}].{KEY}"
    )
    known = {template.failure for template in templates}
    if not isinstance(failure, str) or failure not in known:
        cure = did_you_mean(str(failure), known)
        problems.append(Problem(where, "is no failure with a rule in the catalogue", cure, failure))
        return own
    own.setdefault("failure", failure)
    quantity, unit = channels.get(str(own.get("channel")), ("", ""))
    fitting = [t for t in templates if t.failure == failure and t.quantity in (quantity, ANY)]
    if not fitting:
        if quantity:
            fit = sorted({t.quantity for t in templates if t.failure == failure})
            what = f'has no rule for a channel of quantity "{quantity}"'
            problems.append(Problem(where, what, f"It has for {' and '.join(fit)}", failure))
        return own
    template = _chosen(fitting, own)
    same_kind = own.get("kind", template.keys["kind"]) == template.keys["kind"]
    missing = [key for key in template.give if key not in own]
    if missing and same_kind:
        cure = f"Add {' and '.join(missing)}"
        what = "cannot know the limits of your plant"
        problems.append(Problem(where, what, cure, failure))
    return _merged(template, own, unit, where, problems)


def _chosen(fitting: Sequence[Template], own: Mapping[str, Any]) -> Template:
    """Return the template of the side that the rule itself names, else the first."""
    for template in fitting:
        if any(key in own and key in template.keys for key in _LIMITS):
            return template
    return fitting[0]


def _merged(
    template: Template, own: Mapping[str, Any], unit: str, where: str, problems: list[Problem]
) -> dict[str, Any]:
    taken = dict(template.keys)
    if own.get("kind", taken["kind"]) != taken["kind"]:  # the limits of another kind are not its
        taken = {key: taken[key] for key in ("title", "priority", "response")}
    if any(key in own for key in _LIMITS):
        taken = {key: value for key, value in taken.items() if key not in _LIMITS}
    if template.unit and unit not in ("", template.unit) and known_unit(unit):
        try:
            taken = {k: _in_unit(k, v, template.unit, unit) for k, v in taken.items()}
        except ValueError:
            what = f"has its limits in {template.unit}, which cannot become {unit}"
            problems.append(Problem(where, what, "Write the rule without the catalogue"))
    return taken | dict(own)


def _in_unit(key: str, value: Any, from_unit: str, to_unit: str) -> Any:
    if key not in _IN_UNIT:
        return value
    converted = convert(value, from_unit, to_unit)
    if key in ("deadband", "limit"):  # a difference: without the offset of the scale
        converted -= convert(0.0, from_unit, to_unit)
    return float(f"{converted:.6g}")
