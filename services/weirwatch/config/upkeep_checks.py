"""Do jobs and supplies fit the rest of the file? Yields their problems."""

from collections.abc import Iterator

from weirwatch.config.draft import Draft
from weirwatch.config.entries import Entry
from weirwatch.config.problems import Problem, did_you_mean
from weirwatch.config.upkeep_models import JobConfig, SupplyConfig
from weirwatch.domain.quantity import convert, known_unit


def check_upkeep(draft: Draft) -> Iterator[Problem]:
    """Yield what is wrong with each `[[job]]` and `[[supply]]`."""
    for job in draft.jobs:
        yield from _system(job, draft)
        if job.config.remind_days >= job.config.every_days and job.whole("every_days"):
            cure = "Write less than every_days, or it is due all the time"
            yield Problem(job.at("remind_days"), "is too long", cure, job.config.remind_days)
    for supply in draft.supplies:
        yield from _system(supply, draft)
        yield from _supply_channel(supply, draft)
        yield from _dose(supply)


def _system(entry: Entry[JobConfig] | Entry[SupplyConfig], draft: Draft) -> Iterator[Problem]:
    system, known = entry.config.system, draft.ids["system"]
    if system is not None and known and system not in known and entry.whole("system"):
        cure = did_you_mean(system, known)
        yield Problem(entry.at("system"), "is no system of this file", cure, system)
    if system is None and len(known) > 1:
        cure = f"Add system = one of {', '.join(sorted(known))}"
        yield Problem(entry.at("system"), "is missing, and there are several", cure)


def _supply_channel(entry: Entry[SupplyConfig], draft: Draft) -> Iterator[Problem]:
    supply = entry.config
    if supply.channel is None:
        for key in ("empty_at", "per_unit"):
            if key in supply.model_fields_set and entry.whole(key, "channel"):
                cure = "Add channel, or leave it out"
                yield Problem(entry.at(key), "does nothing without channel", cure)
        return
    if supply.channel not in draft.ids["channel"]:
        cure = did_you_mean(supply.channel, draft.ids["channel"])
        yield Problem(entry.at("channel"), "is no channel of this file", cure, supply.channel)
    elif (found := draft.channel(supply.channel)) is not None and found.is_switch:
        cure = "Name one that measures a level, a volume or a weight"
        yield Problem(entry.at("channel"), "is a switch", cure, supply.channel)
    if supply.dose is not None:
        cure = "The channel shows what is left: leave dose out"
        yield Problem(entry.at("dose"), "and channel both tell what is used", cure, supply.dose)


def _dose(entry: Entry[SupplyConfig]) -> Iterator[Problem]:
    supply = entry.config
    if supply.dose is None:
        if supply.strength_g_l is not None:
            cure = "Add dose, or leave it out"
            yield Problem(entry.at("strength_g_l"), "does nothing without dose", cure)
        return
    mass, volume = _is(supply.unit, "g"), _is(supply.unit, "L")
    if not (mass or volume) and entry.whole("unit"):
        cure = "Write g, kg, L or mL"
        yield Problem(entry.at("unit"), "is no unit of a dose", cure, supply.unit)


def _is(unit: str, wanted: str) -> bool:
    if not known_unit(unit):
        return False
    try:
        convert(1.0, unit, wanted)
    except ValueError:
        return False
    return True
