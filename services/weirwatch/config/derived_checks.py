"""Do the derived channels fit the channels they are computed from? Yields their problems."""

from collections.abc import Iterator, Mapping

from weirwatch.config.builtin import node_of
from weirwatch.config.derived_models import DerivedConfig
from weirwatch.config.draft import Draft
from weirwatch.config.entries import Entry
from weirwatch.config.problems import Problem, did_you_mean
from weirwatch.config.suppression import circles
from weirwatch.domain.quantity import known_unit
from weirwatch.pipeline.derive import input_converter
from weirwatch.pipeline.formulas import FORMULAS, Formula, needed_constants
from weirwatch.pipeline.plant_figures import drain_back_total_l, volume_l
from weirwatch.settings import PlantSettings


def check_derived(draft: Draft, from_plant: Mapping[str, Mapping[str, float]]) -> Iterator[Problem]:
    """Yield what is wrong with each `[[derived]]`.

    Args:
        draft: the file's tables.
        from_plant: by formula the constants that the plant tells.
    """
    for entry in draft.derived:
        yield from _identity(entry, draft)
        yield from _formula(entry, draft, from_plant)
    yield from _taps(draft)
    edges = {entry.config.id: list(entry.config.inputs.values()) for entry in draft.derived}
    for circle in circles(edges):
        way = " → ".join((*circle, circle[0]))
        cure = "Compute it from channels of a node"
        yield Problem(f'derived "{circle[0]}"', f"is computed from itself: {way}", cure)


def constants_of(
    config: DerivedConfig, from_plant: Mapping[str, Mapping[str, float]]
) -> dict[str, float]:
    """Return every constant of a formula: the file's, else the plant's, else the default."""
    formula = FORMULAS[config.formula]
    told = {**from_plant.get(config.formula, {}), **config.constants}
    wanted = needed_constants(formula, config.inputs)
    return {
        name: told[name] if name in told else float(usual or 0.0)
        for name, usual in wanted.items()
        if name in told or usual is not None or name not in formula.from_log
    }


def plant_constants(plant: PlantSettings | None) -> Mapping[str, Mapping[str, float]]:
    """Return by formula the constants that the plant tells."""
    if plant is None:
        return {}
    volume = volume_l(plant)
    outage = {
        name: getattr(plant.outage, name)
        for name in (
            "uptake_mg_l_h",
            "oxygen_critical_mg_l",
            "temperature_low_degc",
            "battery_wh",
            "battery_load_w",
        )
    }
    found: dict[str, Mapping[str, float]] = {
        "turnover": {"volume_l": volume},
        "outage-hours": {
            "volume_l": volume,
            "loss_w_per_k": plant.loss_w_per_k,
            "room_degc": plant.room_degc,
            "salinity": plant.salinity,
            "evaporation_l_per_day": plant.evaporation_l_per_day,
            **outage,
        },
    }
    sump = next((vessel for vessel in plant.vessels if vessel.role == "sump"), None)
    if sump is not None:
        found["drain-back-margin"] = {
            "area_m2": sump.area_m2,
            "rim_l": sump.volume_l,
            "drain_back_l": drain_back_total_l(plant),
        }
    if plant.top_off is not None:
        reservoir = next((v for v in plant.vessels if v.id == plant.top_off.reservoir), None)
        area = {} if reservoir is None else {"area_m2": reservoir.area_m2}
        found["evaporation"] = {"rate_l_h": plant.top_off.rate_l_h, **area}
    for formula in ("oxygen-saturation", "pco2", "unionised-ammonia"):
        found[formula] = {"salinity": plant.salinity}
    return found


def _identity(entry: Entry[DerivedConfig], draft: Draft) -> Iterator[Problem]:
    config = entry.config
    if not entry.whole("id"):
        return
    if any(channel.config.id == config.id for channel in draft.channels):
        yield Problem(entry.at("id"), "is a [[channel]] already", "Give it another name", config.id)
    nodes = {node_of(channel.config.id) for channel in draft.channels if channel.whole("id")}
    if nodes and node_of(config.id) not in nodes:
        cure = f"Begin it with {' or '.join(sorted(nodes))}"
        yield Problem(entry.at("id"), "names a node that has no channel", cure, config.id)
    vessels = draft.ids.get("vessel", frozenset())
    if config.vessel and vessels and config.vessel not in vessels and entry.whole("vessel"):
        cure = did_you_mean(config.vessel, vessels)
        yield Problem(entry.at("vessel"), "is no vessel of the plant", cure, config.vessel)
    valid = config.valid
    if valid is not None and valid[0] >= valid[1] and entry.whole("valid"):
        yield Problem(
            entry.at("valid"), "does not go from low to high", "Write [lowest, highest]", valid
        )


def _formula(
    entry: Entry[DerivedConfig], draft: Draft, from_plant: Mapping[str, Mapping[str, float]]
) -> Iterator[Problem]:
    name = entry.config.formula
    if not entry.whole("formula"):
        return
    formula = FORMULAS.get(name)
    if formula is None:
        yield Problem(entry.at("formula"), "is no formula", did_you_mean(name, FORMULAS), name)
        return
    if entry.whole("inputs"):
        yield from _inputs(entry, formula, draft)
    if entry.whole("inputs", "constants"):
        yield from _constants(entry, formula, from_plant.get(name, {}))


def _taps(draft: Draft) -> Iterator[Problem]:
    computed = draft.ids.get("derived", frozenset())
    for tap in draft.taps:
        if tap.config.channel in computed and tap.whole("channel"):
            cure = "Feed a channel that is not computed"
            yield Problem(tap.at("channel"), "is a derived channel", cure, tap.config.channel)


def _inputs(entry: Entry[DerivedConfig], formula: Formula, draft: Draft) -> Iterator[Problem]:
    inputs = entry.config.inputs
    where = entry.at("inputs")
    for role, spec in formula.roles.items():
        if spec.required and role not in inputs:
            cure = f'Add {role} = "<channel>" in {spec.unit or "a switch"}'
            yield Problem(where, f"lacks {role}", cure)
    if formula.one_of and sum(role in inputs for role in formula.one_of) != 1:
        yield Problem(where, "must name exactly one", f"Give {' or '.join(formula.one_of)}")
    known = draft.ids["channel"]
    for role, channel_id in inputs.items():
        if role not in formula.roles:
            cure = did_you_mean(role, formula.roles)
            yield Problem(f"{where}.{role}", "is no input of this formula", cure)
        elif channel_id not in known:
            cure = did_you_mean(channel_id, known)
            yield Problem(f"{where}.{role}", "is no channel of this file", cure, channel_id)
        else:
            yield from _unit(f"{where}.{role}", formula.roles[role].unit, channel_id, draft)


def _unit(where: str, unit: str, channel_id: str, draft: Draft) -> Iterator[Problem]:
    entry = draft.channels_by_id.get(channel_id)
    if entry is None or not entry.whole("unit", "quantity"):
        return
    channel = entry.config
    if (unit == "") is not channel.is_switch:
        what = "is a switch" if channel.is_switch else "is no switch"
        cure = f"Name a channel in {unit}" if unit else "Name a switch"
        yield Problem(where, what, cure, channel_id)
    elif unit and (known_unit(channel.unit) or not channel.unit):
        try:
            input_converter(channel.unit, unit)
        except ValueError:
            cure = f"Name a channel whose unit can become {unit}"
            yield Problem(where, f"is in {channel.unit or 'no unit'}", cure, channel_id)


def _constants(
    entry: Entry[DerivedConfig], formula: Formula, from_plant: Mapping[str, float]
) -> Iterator[Problem]:
    config, where = entry.config, entry.at("constants")
    wanted = needed_constants(formula, config.inputs)
    for name in config.constants:
        if name not in wanted:
            cure = did_you_mean(name, wanted)
            yield Problem(f"{where}.{name}", "is no constant of this formula", cure)
    for name, usual in wanted.items():
        told = name in config.constants or name in from_plant or name in formula.from_log
        if usual is None and not told:
            cure = f"Add {name} = <number>, or a [plant] that tells it"
            yield Problem(where, f"lacks {name}", cure)
