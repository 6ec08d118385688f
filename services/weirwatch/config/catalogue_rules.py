"""The home of `from_catalogue`: rules that take what they do not say from the catalogue.

Done on the plain table, before any model reads it: what comes out is a rule as one could have
written it, checked like any other.
"""

import tomllib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from importlib.resources import files
from typing import Any

from weirwatch.config.catalogue_figures import Seen
from weirwatch.config.catalogue_limits import LIMITS, limits_of, unit_fits
from weirwatch.config.catalogue_links import Links, with_causes
from weirwatch.config.catalogue_template import ANY, Template
from weirwatch.config.problems import Problem, did_you_mean
from weirwatch.settings import PlantSettings

__all__ = ["ANY", "KEY", "Template", "load_templates", "with_catalogue"]

KEY = "from_catalogue"
_FILE = "catalogue_rules.toml"
_WORDS = ("title", "priority", "response")


def load_templates() -> tuple[Template, ...]:
    """Return the rules that ship with this version."""
    text = files("weirwatch").joinpath(_FILE).read_text(encoding="utf-8")
    return tuple(Template(**table) for table in tomllib.loads(text)["rule"])


def with_catalogue(
    document: Mapping[str, Any],
    templates: Sequence[Template],
    plant: PlantSettings | None = None,
) -> tuple[dict[str, Any], list[Problem]]:
    """Return the document with its catalogue rules written out, and what is wrong with them.

    Args:
        document: the file's tables.
        templates: the catalogue's rules.
        plant: from which limits follow; None: the keeper gives them.
    """
    rules = document.get("rule")
    if not isinstance(rules, list):
        return dict(document), []
    writer = _Writer(Links.of(document, plant), templates, plant)
    written = [
        writer.write(raw, at) if isinstance(raw, dict) and KEY in raw else raw
        for at, raw in enumerate(rules, start=1)
    ]
    return {**document, "rule": with_causes(written, writer.chosen)}, writer.problems


@dataclass(slots=True)
class _Writer:
    """Writes one catalogue rule after another.

    Attributes:
        chosen: place of a written rule in the list → the template it came from.
        problems: what is wrong.
    """

    links: Links
    templates: Sequence[Template]
    plant: PlantSettings | None
    chosen: dict[int, Template] = field(default_factory=dict)
    problems: list[Problem] = field(default_factory=list)

    def write(self, raw: Mapping[str, Any], at: int) -> dict[str, Any]:
        own = {key: value for key, value in raw.items() if key != KEY}
        failure = raw[KEY]
        name = own.setdefault("id", failure)
        named = isinstance(name, str) and "id" in raw
        where = f'rule "{name}": {KEY}' if named else f"rule[{at}].{KEY}"
        known = {template.failure for template in self.templates}
        if not isinstance(failure, str) or failure not in known:
            what = "is no failure with a rule in the catalogue"
            cure = did_you_mean(str(failure), known)
            self.problems.append(Problem(where, what, cure, failure))
            return _unwritten(own, failure)
        own.setdefault("failure", failure)
        channel = self.links.channel(own.get("channel"))
        fitting = self._fitting(failure, channel, where)
        if not fitting:
            return _unwritten(own, failure)
        template = _chosen(fitting, own, channel)
        self.chosen[at - 1] = template
        titled = {"title": template.title_on(channel.label), **own}
        return self._merged(template, titled, channel, where)

    def _fitting(self, failure: str, channel: Seen, where: str) -> list[Template]:
        of_failure = [t for t in self.templates if t.failure == failure]
        fitting = [t for t in of_failure if t.quantity in (channel.quantity, ANY)]
        if not fitting and channel.quantity:
            fit = sorted({t.quantity for t in of_failure})
            what = f'has no rule for a channel of quantity "{channel.quantity}"'
            cure = f"It has for {' and '.join(fit)}"
            self.problems.append(Problem(where, what, cure, failure))
        return fitting

    def _merged(
        self, template: Template, own: Mapping[str, Any], channel: Seen, where: str
    ) -> dict[str, Any]:
        if own.get("kind", template.keys["kind"]) != template.keys["kind"]:
            return {key: template.keys[key] for key in _WORDS} | dict(own)
        told, missing = limits_of(template, self.plant, channel)
        if any(key in own for key in LIMITS):  # a limit of one's own chooses its side
            told = {key: value for key, value in told.items() if key not in LIMITS}
            missing = [key for key in missing if key not in LIMITS]
        elif told.get("is") is True and channel.well_word:
            what = (
                f'cannot know which state of its contact is the trouble: 1 is "{channel.well_word}"'
            )
            cure = "Add is = false if it is 1 while all is well, else is = true"
            self.problems.append(Problem(where, what, cure, template.failure))
        found, unfound = self.links.linked(template, channel)
        missing = [key for key in (*missing, *unfound) if key not in own]
        if missing:
            what = "cannot know the limits of your plant"
            cure = f"Add {' and '.join(missing)}"
            self.problems.append(Problem(where, what, cure, template.failure))
        if not unit_fits(template, channel):
            what = f"has its limits in {template.unit}, which cannot become {channel.unit}"
            cure = "Write the rule without the catalogue"
            self.problems.append(Problem(where, what, cure))
        return told | found | dict(own)


def _unwritten(own: dict[str, Any], failure: object) -> dict[str, Any]:
    """Return a rule that could not be written out, still marked: it is told what is wrong once."""
    return own if "kind" in own else {**own, KEY: failure}


def _chosen(fitting: Sequence[Template], own: Mapping[str, Any], channel: Seen) -> Template:
    """Return the one whose unit fits, of the kind and side that the rule names, else the first."""
    choice = [t for t in fitting if unit_fits(t, channel)] or list(fitting)
    choice = [t for t in choice if t.keys["kind"] == own.get("kind")] or choice
    named = [key for key in LIMITS if key in own]
    choice = [t for t in choice if any(key in t.said for key in named)] or choice
    same = (t for t in choice if "is" in own and t.keys.get("is") is own["is"])
    return next(same, choice[0])
