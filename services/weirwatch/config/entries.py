"""One table of the file, checked by its model; what is right in it survives what is wrong."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Generic, TypeVar

from pydantic import ValidationError
from pydantic_core import ErrorDetails

from weirwatch.config.problems import (
    NO_VALUE,
    Problem,
    as_toml,
    is_secret,
    translate,
)
from weirwatch.config.values import Section

C = TypeVar("C", bound=Section, covariant=True)

NO_HINTS: Mapping[str, str] = {}


@dataclass(frozen=True, slots=True)
class Entry(Generic[C]):
    """One table of the file.

    Attributes:
        place: how messages call it: `service`, `rule "sump-level-high"` or `rule[3]`.
        config: what its model read; a key that was wrong holds its default or an example.
        broken: keys already complained of; nothing more is to be said about them.
    """

    place: str
    config: C
    broken: frozenset[str] = frozenset()

    def whole(self, *keys: str) -> bool:
        """Return whether none of the keys has been complained of."""
        return self.broken.isdisjoint(keys)

    def at(self, key: str) -> str:
        """Return how messages call one of its keys."""
        return key_at(self.place, (key,))


def key_at(place: str, path: Sequence[str | int]) -> str:
    """Return how messages call a key: `rule "x": while[1].above`; lists count from 1."""
    text = ""
    for step in path:
        if isinstance(step, int):
            text += f"[{step + 1}]"
        else:
            text += f".{step}" if text else step
    if not text:
        return place
    return f"{place}: {text}" if place.endswith('"') else f"{place}.{text}"


def parse(
    raw: object, model: type[C], place: str, hints: Mapping[str, str] = NO_HINTS
) -> tuple[Entry[C] | None, list[Problem]]:
    """Return the table as its model reads it, and every complaint about its keys.

    Args:
        raw: the table as it stands in the file.
        model: what it should hold.
        place: how messages call it.
        hints: keys that belong somewhere else, each with its cure.
    """
    if not isinstance(raw, dict):
        return None, [Problem(place, "is not a table", _table_cure(place), raw)]
    try:
        return Entry(place, model.model_validate(raw)), []
    except ValidationError as error:
        errors = error.errors(include_url=False)
    problems = [_problem(found, model, place, hints) for found in errors]
    broken = frozenset(str(found["loc"][0]) for found in errors)
    for rest in (_without_items(raw, errors), _without_keys(raw, broken)):
        try:
            config = model.model_validate(_stand_ins(model, broken) | rest)
        except ValidationError:
            continue
        return Entry(place, config, broken), problems
    return None, problems


def _table_cure(place: str) -> str:
    name = place.split("[")[0]
    return f"Write its keys below a line [{name}]"


def _problem(
    error: ErrorDetails, model: type[Section], place: str, hints: Mapping[str, str]
) -> Problem:
    path = [step for step in error["loc"] if step != "[key]"]
    key, inner = str(path[0]), inner_model(model, str(path[0]))
    if len(path) > 2 and inner is not None:
        what, cure = translate(error, _example(inner, str(path[2])), keys_of(inner))
    else:
        what, cure = translate(error, _example(model, key), keys_of(model))
    if error["type"] == "extra_forbidden" and len(path) == 1 and key in hints:
        what, cure = "does not belong here", hints[key]
    hidden = error["type"] == "missing" or is_secret(str(path[-1])) or _holds_secret(error["input"])
    return Problem(key_at(place, path), what, cure, NO_VALUE if hidden else error["input"])


def _holds_secret(value: object) -> bool:
    return isinstance(value, str) and "://" in value and "@" in value


def keys_of(model: type[Section]) -> list[str]:
    """Return the keys as they stand in the file, in the model's order."""
    return [field.alias or name for name, field in model.model_fields.items()]


def inner_model(model: type[Section], key: str) -> type[Section] | None:
    """Return the model of the tables inside a list, such as that of `while`."""
    for name, field in model.model_fields.items():
        if (field.alias or name) != key:
            continue
        for inner in getattr(field.annotation, "__args__", ()):
            if isinstance(inner, type) and issubclass(inner, Section):
                return inner
    return None


def _example(model: type[Section], key: str) -> str:
    for name, field in model.model_fields.items():
        if (field.alias or name) == key and field.examples:
            return f"{key} = {as_toml(field.examples[0])}"
    return ""


def _stand_ins(model: type[Section], broken: frozenset[str]) -> dict[str, Any]:
    stand_ins = {}
    for name, field in model.model_fields.items():
        key = field.alias or name
        if key in broken and field.is_required() and field.examples:
            stand_ins[key] = field.examples[0]
    return stand_ins


def _without_items(raw: Mapping[str, Any], errors: Sequence[ErrorDetails]) -> dict[str, Any]:
    """Leave out the list items that are wrong, and every other key that is."""
    items: dict[str, set[int]] = {}
    keys: set[str] = set()
    for error in errors:
        loc = error["loc"]
        if len(loc) > 1 and isinstance(loc[1], int):
            items.setdefault(str(loc[0]), set()).add(loc[1])
        else:
            keys.add(str(loc[0]))
    rest = _without_keys(raw, keys)
    for key in items.keys() & rest.keys():
        rest[key] = [item for at, item in enumerate(rest[key]) if at not in items[key]]
    return rest


def _without_keys(raw: Mapping[str, Any], keys: frozenset[str] | set[str]) -> dict[str, Any]:
    return {key: value for key, value in raw.items() if key not in keys}
