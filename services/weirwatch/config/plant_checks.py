"""Does the plant's description hold water? Yields its problems."""

from collections.abc import Collection, Iterator
from typing import Any

from weirwatch.config.draft import Draft, PlantDraft
from weirwatch.config.entries import Entry
from weirwatch.config.plant_models import VesselConfig
from weirwatch.config.problems import Problem, did_you_mean


def check_plant(draft: Draft, failures: Collection[str]) -> Iterator[Problem]:
    """Yield what is wrong with `[plant]` and the tables below it; `failures`: of the catalogue."""
    plant = draft.plant
    if plant is None:
        return
    yield from _plant_system(plant, draft)
    for failure in plant.plant.config.without if plant.plant.whole("without") else ():
        if failure not in failures:
            cure = did_you_mean(failure, failures, "docs/failures.md lists them")
            yield Problem("plant.without", "is not in the failure catalogue", cure, failure)
    if plant.pump is None and not _told(draft, "plant.pump"):
        cure = "Add [plant.pump] with flow_l_h, static_head_m, shutoff_head_m, pipe_m, pipe_d_m"
        yield Problem("plant.pump", "is missing", cure)
    yield from _roles(plant, draft)
    for vessel in plant.vessels:
        yield from _vessel(vessel, draft)
    yield from _pump(plant)
    yield from _named_vessels(plant, draft)


def _told(draft: Draft, place: str) -> bool:
    return any(problem.where.startswith(place) for problem in draft.problems)


def _plant_system(plant: PlantDraft, draft: Draft) -> Iterator[Problem]:
    system, known = plant.plant.config.system, draft.ids["system"]
    if not plant.plant.whole("system") or not known:
        return
    if system is None and len(known) > 1:
        cure = f"Write which of {', '.join(sorted(known))} it describes"
        yield Problem("plant.system", "is missing, and there are several systems", cure)
    if system is not None and system not in known:
        cure = did_you_mean(system, known)
        yield Problem("plant.system", "is no system of this file", cure, system)


def _roles(plant: PlantDraft, draft: Draft) -> Iterator[Problem]:
    if _told(draft, "plant.vessel"):
        return
    sumps = [entry.config.id for entry in plant.vessels if entry.config.role == "sump"]
    if len(sumps) != 1:
        named = f"there are {len(sumps)}: {', '.join(sumps)}" if sumps else "there is none"
        cure = 'Give exactly one vessel role = "sump"'
        yield Problem("plant.vessel", f"one sump is needed and {named}", cure)


def _vessel(entry: Entry[VesselConfig], draft: Draft) -> Iterator[Problem]:
    vessel = entry.config
    room_l = vessel.area_m2 * vessel.height_m * 1000
    if entry.whole("area_m2", "height_m", "volume_l") and vessel.volume_l > room_l * 1.02:
        what = f"is more than area_m2 × height_m holds, which is {room_l:.0f} L"
        yield Problem(entry.at("volume_l"), what, "Measure again", vessel.volume_l)
    working_l = vessel.working_l or 0.0
    if working_l > vessel.volume_l and entry.whole("working_l", "volume_l"):
        cure = f"Write at most volume_l = {vessel.volume_l:g}"
        yield Problem(entry.at("working_l"), "is more than it holds", cure, working_l)
    if vessel.role == "sump" and vessel.working_l is None and entry.whole("role", "working_l"):
        cure = "Add the litres in it while the return pump runs"
        yield Problem(entry.at("working_l"), "is missing for the sump", cure)
    yield from _crest(entry)
    yield from _level_channel(entry, draft)


def _crest(entry: Entry[VesselConfig]) -> Iterator[Problem]:
    vessel = entry.config
    if not entry.whole("crest_m", "crest_length_m", "height_m"):
        return
    if (vessel.crest_m is None) != (vessel.crest_length_m is None):
        missing = "crest_m" if vessel.crest_m is None else "crest_length_m"
        yield Problem(entry.at(missing), "is missing beside the other", "Give both or neither")
    if vessel.crest_m is not None and vessel.crest_m >= vessel.height_m:
        cure = f"Write less than height_m = {vessel.height_m:g}"
        yield Problem(entry.at("crest_m"), "is above the vessel's rim", cure, vessel.crest_m)


def _level_channel(entry: Entry[VesselConfig], draft: Draft) -> Iterator[Problem]:
    channel_id = entry.config.level_channel
    if channel_id is None or not entry.whole("level_channel"):
        return
    if channel_id not in draft.ids["channel"]:
        cure = did_you_mean(channel_id, draft.ids["channel"])
        yield Problem(entry.at("level_channel"), "is no channel of this file", cure, channel_id)
        return
    channel = draft.channel(channel_id)
    if channel is not None and channel.quantity != "level":
        cure = "Name a channel of quantity level"
        what = f"shows {channel.quantity}"
        yield Problem(entry.at("level_channel"), what, cure, channel_id)


def _pump(plant: PlantDraft) -> Iterator[Problem]:
    entry = plant.pump
    if entry is None or not entry.whole("static_head_m", "shutoff_head_m"):
        return
    pump = entry.config
    if pump.static_head_m >= pump.shutoff_head_m:
        cure = f"Write less than shutoff_head_m = {pump.shutoff_head_m:g}"
        what = "is more than the pump can lift"
        yield Problem(entry.at("static_head_m"), what, cure, pump.static_head_m)


def _named_vessels(plant: PlantDraft, draft: Draft) -> Iterator[Problem]:
    known = draft.ids.get("vessel", frozenset())
    named: list[tuple[Entry[Any], str, str]]
    named = [(loop, "feeds", loop.config.feeds) for loop in plant.loops]
    named += [(heater, "vessel", heater.config.vessel) for heater in plant.heaters]
    if plant.top_off is not None:
        named.append((plant.top_off, "reservoir", plant.top_off.config.reservoir))
    if plant.chiller is not None and plant.chiller.config.vessel is not None:
        named.append((plant.chiller, "vessel", plant.chiller.config.vessel))
    for entry, key, vessel in named:
        if entry.whole(key) and vessel not in known:
            cure = did_you_mean(vessel, known)
            yield Problem(entry.at(key), "is no vessel of the plant", cure, vessel)
    yield from _reservoir(plant)
    yield from _named_loops(plant, draft)


def _named_loops(plant: PlantDraft, draft: Draft) -> Iterator[Problem]:
    known = draft.ids.get("loop", frozenset())
    chiller, reactor = plant.chiller, plant.reactor
    if chiller is not None and chiller.whole("vessel", "loop"):
        if (chiller.config.vessel is None) is (chiller.config.loop is None):
            both = chiller.config.loop is not None
            what = "has both a vessel and a loop" if both else "has neither a vessel nor a loop"
            yield Problem(chiller.place, what, 'Write where it sits: vessel = "…" or loop = "…"')
        elif chiller.config.loop is not None and chiller.config.loop not in known:
            cure = did_you_mean(chiller.config.loop, known)
            yield Problem(chiller.at("loop"), "is no loop of the plant", cure, chiller.config.loop)
    if reactor is not None and reactor.whole("loop") and reactor.config.loop not in known:
        cure = did_you_mean(reactor.config.loop, known)
        yield Problem(reactor.at("loop"), "is no loop of the plant", cure, reactor.config.loop)
    if chiller is not None and chiller.whole("vessel"):
        for entry in plant.vessels:
            reservoir = entry.config.role == "reservoir" and entry.whole("id", "role")
            if entry.config.id == chiller.config.vessel and reservoir:
                what = "is the reservoir, whose water does not go round"
                cure = "Name a vessel of the system"
                yield Problem(chiller.at("vessel"), what, cure, chiller.config.vessel)


def doubt_plant(draft: Draft) -> Iterator[Problem]:
    """Yield what is allowed but doubtful in a plant without mistakes."""
    plant = draft.plant
    if plant is None or plant.chiller is None:
        return
    chiller = plant.chiller.config
    lowest = chiller.set_degc - 0.5 * chiller.hysteresis_k
    for heater in (entry.config for entry in plant.heaters):
        highest = heater.set_degc + 0.5 * heater.hysteresis_k
        if lowest < highest:
            what = f"cools to {lowest:g} °C, and {heater.id} heats to {highest:g} °C"
            cure = "They may run against each other: set them farther apart"
            yield Problem(plant.chiller.at("set_degc"), what, cure, chiller.set_degc)


def _reservoir(plant: PlantDraft) -> Iterator[Problem]:
    if plant.top_off is None or not plant.top_off.whole("reservoir"):
        return
    name = plant.top_off.config.reservoir
    for entry in plant.vessels:
        wrong = entry.config.role != "reservoir" and entry.whole("id", "role")
        if entry.config.id == name and wrong:
            what = f"is a vessel with role {entry.config.role}"
            cure = 'Name one with role = "reservoir"'
            yield Problem(plant.top_off.at("reservoir"), what, cure, name)
