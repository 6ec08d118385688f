"""The limits of a catalogue rule: from the plant where it tells them, in the channel's unit."""

from collections.abc import Mapping
from typing import Any

from weirwatch.config.catalogue_figures import FIGURES, Seen
from weirwatch.config.catalogue_template import Template
from weirwatch.domain.quantity import convert, known_unit
from weirwatch.settings import PlantSettings

LIMITS = ("high", "low", "is")
_DIFFERENCES = ("deadband", "limit", "rise", "fall")  # without the offset of a scale
_IN_UNIT = ("high", "low", "from", "expected_min", "expected_max", *_DIFFERENCES)


def limits_of(
    template: Template, plant: PlantSettings | None, channel: Seen
) -> tuple[dict[str, Any], list[str]]:
    """Return the keys of a template in the channel's unit, and those that are still to be given."""
    told = {
        key: _in_unit(key, value, template.unit, channel) for key, value in template.keys.items()
    }
    missing = [key for key in template.give if key not in told]
    for key, spec in template.plant.items():
        value = figure_value(spec, plant, channel)
        if value is not None:
            told[key] = _in_unit(key, value, template.unit, channel)
        elif key not in told:
            missing.append(key)
    return told, missing


def figure_value(
    spec: Mapping[str, Any], plant: PlantSettings | None, channel: Seen
) -> float | None:
    """Return `of × times + plus` in the figure's unit, or None: the plant does not tell it."""
    try:
        found = None if plant is None else FIGURES[spec["of"]].of(plant, channel)
    except ValueError:  # a plant that cannot be: told where it stands
        found = None
    if found is None:
        return None
    return float(f"{found * spec.get('times', 1.0) + spec.get('plus', 0.0):.4g}")


def unit_fits(template: Template, channel: Seen) -> bool:
    """Return whether the template's limits can be told in the channel's unit."""
    if not template.unit or channel.unit in ("", template.unit) or not known_unit(channel.unit):
        return True
    try:
        convert(0.0, template.unit, channel.unit)
    except ValueError:
        return False
    return True


def in_unit(value: float, from_unit: str, to_unit: str, *, difference: bool = False) -> float:
    """Return a limit in another unit, rounded as people write it; as it is where it cannot be."""
    if from_unit == to_unit or not to_unit or not known_unit(to_unit):
        return value
    try:
        converted = convert(value, from_unit, to_unit)
        base = convert(0.0, from_unit, to_unit) if difference else 0.0
    except ValueError:
        return value
    return float(f"{converted - base:.6g}")


def _in_unit(key: str, value: Any, from_unit: str, channel: Seen) -> Any:
    if key not in _IN_UNIT or not from_unit or isinstance(value, str | bool):
        return value
    return in_unit(value, from_unit, channel.unit, difference=key in _DIFFERENCES)
