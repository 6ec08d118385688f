"""Does each `[[device]]` name rules that are there, and say where anything is?"""

from collections.abc import Iterable, Iterator, Mapping

from weirwatch.config.device_models import FACTS
from weirwatch.config.draft import Draft
from weirwatch.config.problems import Problem, did_you_mean
from weirwatch.domain.rule import Rule


def check_devices(
    draft: Draft, rules: Iterable[Rule], failures: Mapping[str, bool]
) -> Iterator[Problem]:
    """Yield what is wrong with devices.

    Args:
        draft: the file's tables.
        rules: all rules as they will run.
        failures: of the catalogue, by id.
    """
    ids = {rule.id for rule in rules}
    for entry in draft.devices:
        for name in dict.fromkeys(entry.config.rules):
            if name not in ids and name not in failures and entry.whole("rules"):
                cure = did_you_mean(name, {*ids, *failures})
                yield Problem(entry.at("rules"), "is no rule and no failure", cure, name)
        if not any(getattr(entry.config, key) for key in FACTS) and entry.whole(*FACTS):
            cure = f"Add at least one of {', '.join(FACTS)}"
            yield Problem(entry.at("breaker"), "and all the other places are missing", cure)
