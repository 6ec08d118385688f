"""Can a plant play what a scenario says? Yields its problems."""

from collections.abc import Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, NamedTuple

from weirwatch.config.entries import Entry, keys_of
from weirwatch.config.problems import NO_VALUE, Problem, did_you_mean
from weirwatch.config.scenario_models import EntryConfig, ScenarioConfig

_OF_WIRE = ("broker-restart",)
_OF_FAULTS = ("target", "severity", "onset", "repaired_after", "expect", "told_by")


@dataclass(frozen=True, slots=True)
class FaultTrait:
    """What a fault takes.

    Attributes:
        strikes: channel, heater, loop, node or vessel; empty: it has no target.
        graded: whether it has a severity.
        creeps: whether it may come slowly.
        missing: why this plant cannot play it; empty: it can.
    """

    strikes: str
    graded: bool
    creeps: bool
    missing: str = ""


@dataclass(frozen=True, slots=True)
class Playable:
    """What a plant can play.

    Attributes:
        faults: by id.
        composed: failure of the catalogue that is no fault → what to write instead.
        acts: ids.
        targets: kind (`FaultTrait.strikes`) → what there is of it.
        system: first part of the channels' ids, which a target may leave out.
        failures: the catalogue's ids.
        recordable: channels that a recording can hold.
    """

    faults: Mapping[str, FaultTrait]
    composed: Mapping[str, str]
    acts: Collection[str]
    targets: Mapping[str, Sequence[str]]
    system: str
    failures: Collection[str]
    recordable: Sequence[str] = ()


class Item(NamedTuple):
    """One entry with its table as it stands in the file."""

    entry: Entry[EntryConfig]
    raw: Mapping[str, Any]

    def problem(self, key: str, what: str, cure: str = "") -> Problem:
        """Return the problem of one of its keys, with the value in the file."""
        return Problem(self.entry.at(key), what, cure, self.raw.get(key, NO_VALUE))


def check_head(head: Entry[ScenarioConfig], folder: Path) -> Iterator[Problem]:
    """Yield what of `[scenario]` does not fit together; relative paths start at `folder`."""
    config = head.config
    if config.readings is None:
        for key in ("readings_from", "others"):
            if key in config.model_fields_set and head.whole(key, "readings"):
                cure = 'Add readings = "FILE.csv", or leave it out'
                value = getattr(config, key)
                yield Problem(head.at(key), "is of recorded readings only", cure, value)
        return
    if not (folder / config.readings).is_file():
        cure = "Name a CSV file with time,channel,value; relative to the scenario's own folder"
        yield Problem(head.at("readings"), "there is no such file", cure, config.readings)
    if config.every_s is not None and head.whole("every_s"):
        cure = "Leave it out: recorded readings have their own times"
        yield Problem(head.at("every_s"), "does not go with readings", cure, config.every_s)


def check_entries(
    head: Entry[ScenarioConfig] | None, items: Sequence[Item], playable: Playable
) -> Iterator[Problem]:
    """Yield what is wrong with the entries."""
    lasts_s = head.config.lasts if head is not None and head.whole("lasts") else None
    recorded = head is not None and head.config.readings is not None
    targets = {**playable.targets, "channel": playable.recordable}
    here = replace(playable, targets=targets) if recorded else playable
    for item in items:
        if recorded:
            yield from _moves_water(item, playable)
        if lasts_s is not None and item.entry.whole("at") and item.entry.config.at >= lasts_s:
            what = f"is not before the end of the scenario, at {lasts_s:g} s"
            yield item.problem("at", what, "Write an earlier time, or a longer scenario.lasts")
        if item.entry.whole("fault", "act"):
            yield from _what(item, here)
    yield from _restored(items)


def _moves_water(item: Item, playable: Playable) -> Iterator[Problem]:
    """Yield what cannot be played on water that is recorded."""
    cure = "Faults of probes and nodes can be played on it, and the act broker-restart"
    what = "moves the water, and this water is recorded"
    trait = playable.faults.get(item.entry.config.fault or "")
    if trait is not None and trait.strikes not in ("channel", "node"):
        yield item.problem("fault", what, cure)
    if item.entry.config.act in playable.acts and item.entry.config.act not in _OF_WIRE:
        yield item.problem("act", what, cure)


def _what(item: Item, playable: Playable) -> Iterator[Problem]:
    config = item.entry.config
    if config.fault is not None and config.act is not None:
        yield Problem(item.entry.place, "has both a fault and an act", "Write two entries")
    elif config.act is not None:
        yield from _act(item, config.act, playable)
    elif config.fault is not None:
        yield from _fault(item, config.fault, playable)
    elif item.entry.broken <= set(keys_of(EntryConfig)):  # else a key is misspelt, which was told
        cure = 'Add fault = "…" or act = "…"'
        yield Problem(item.entry.place, "has neither a fault nor an act", cure)


def _act(item: Item, act: str, playable: Playable) -> Iterator[Problem]:
    if act not in playable.acts:
        cure = did_you_mean(act, playable.acts)
        yield item.problem("act", "is not an act of ordinary life", cure)
    for key in _OF_FAULTS:
        if key in item.raw:
            cure = "Leave it out: an act is always the same, and ends by itself"
            yield item.problem(key, "is of faults only", cure)


def _fault(item: Item, fault: str, playable: Playable) -> Iterator[Problem]:
    entry, config = item.entry, item.entry.config
    for failure in config.told_by if entry.whole("told_by") else ():
        if failure not in playable.failures:
            cure = did_you_mean(failure, playable.failures)
            yield Problem(entry.at("told_by"), "is not in the failure catalogue", cure, failure)
    trait = playable.faults.get(fault)
    if trait is None:
        yield item.problem("fault", "is not a fault that can be played", _instead(fault, playable))
        return
    if trait.missing:
        cure = "Take it out, or describe what is missing in the configuration"
        yield item.problem("fault", f"cannot be played: {trait.missing}", cure)
    if config.severity is not None and not trait.graded and entry.whole("severity"):
        cure = f"Leave it out: {fault} is there or not"
        yield item.problem("severity", "is of faults with degrees", cure)
    if config.onset is not None and not trait.creeps:
        cure = f"Leave it out: {fault} begins at once"
        yield item.problem("onset", "is of faults that come slowly", cure)
    if entry.whole("target") and not trait.missing:
        yield from _target(item, fault, trait, playable)


def _instead(fault: str, playable: Playable) -> str:
    if fault in playable.failures and fault not in playable.composed:
        return "It is a failure of the service, not of the plant: its own tests play it"
    return playable.composed.get(fault) or did_you_mean(fault, playable.faults)


def _target(item: Item, fault: str, trait: FaultTrait, playable: Playable) -> Iterator[Problem]:
    target, kind = item.entry.config.target, trait.strikes
    known = playable.targets.get(kind, ())
    if target is None:
        if kind == "channel":
            cure = 'Name the channel, as target = "sump-node/level"'
            yield item.problem("target", f"is missing: {fault} needs one", cure)
    elif not kind:
        cure = f"Leave it out: {fault} has none"
        yield item.problem("target", "is of faults that strike one thing", cure)
    elif target not in known and f"{playable.system}/{target}" not in known:
        names = [name.removeprefix(f"{playable.system}/") for name in known]
        what = f"is no {kind} that the plant has"
        yield item.problem("target", what, did_you_mean(target, names))


def _restored(items: Sequence[Item]) -> Iterator[Problem]:
    """Yield each return of the mains that there was no cut before."""
    cuts = [item.entry.config for item in items if item.entry.config.fault == "mains-lost"]
    for item in items:
        at_s = item.entry.config.at
        if item.entry.config.fault == "mains-restored" and not any(
            cut.at < at_s and (cut.repaired_after is None or cut.at + cut.repaired_after >= at_s)
            for cut in cuts
        ):
            cure = 'Put an entry with fault = "mains-lost" before it'
            yield item.problem("fault", "has no cut that it could end", cure)
