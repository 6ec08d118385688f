"""How a mistake in the configuration reads: place, value, what is wrong, and the cure."""

import json
import re
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from difflib import get_close_matches
from typing import Any

from pydantic_core import ErrorDetails, PydanticCustomError

NO_VALUE: Any = object()  # the problem is not about a value, or the value must not be shown
_SHOWN = 60  # characters of a value that are repeated to the reader
_LISTED = 12  # known words that a cure lists
_SECRET_KEYS = ("password", "secret", "token", "username", "credential")

Cured = tuple[str, str]  # what is wrong, and the cure


@dataclass(frozen=True, slots=True)
class Problem:
    """One mistake or one doubt.

    Attributes:
        where: such as `rule "sump-level-high": deadband`, `channel[3].unit` or `broker.url`.
        what: what is wrong, without a full stop.
        cure: what to write instead, one sentence without a full stop; empty if `what` says it.
        value: what stands in the file.
    """

    where: str
    what: str
    cure: str = ""
    value: Any = NO_VALUE

    def sentence(self, file: str) -> str:
        """Return the whole message for people."""
        shown = "" if self.value is NO_VALUE else f" = {as_toml(self.value)}"
        cure = f" {self.cure}" if self.cure else ""
        text = f"{file}: {self.where}{shown}: {self.what}.{cure}"
        return text if text.endswith((".", "?")) else f"{text}."


def fault(what: str, cure: str) -> PydanticCustomError:
    """Return the error that a validator of ours raises."""
    return PydanticCustomError("weirwatch", "{what}. {cure}", {"what": what, "cure": cure})


def as_toml(value: object, depth: int = 3) -> str:
    """Return the value as one would write it in TOML, shortened when it is long or deep."""
    if isinstance(value, Mapping | list | tuple) and depth == 0:
        return "…"
    if isinstance(value, Mapping):
        inside = ", ".join(f"{key} = {as_toml(item, depth - 1)}" for key, item in value.items())
        text = f"{{{inside}}}"
    elif isinstance(value, list | tuple):
        text = f"[{', '.join(as_toml(item, depth - 1) for item in value)}]"
    elif isinstance(value, bool | str):
        text = json.dumps(value, ensure_ascii=False)
    else:
        text = str(value)
    return text if len(text) <= _SHOWN else f"{text[: _SHOWN - 1]}…"


def nearest(word: str, known: Iterable[str]) -> str | None:
    """Return the known word that was probably meant, or None."""
    by_lower = {name.lower(): name for name in known}
    wanted = word.lower()
    found = get_close_matches(wanted, by_lower, n=1, cutoff=0.6)
    if found:
        return by_lower[found[0]]
    inside = [name for name in by_lower if len(wanted) > 2 and (wanted in name or name in wanted)]
    return by_lower[min(inside, key=len)] if inside else None


def did_you_mean(word: str, known: Iterable[str], otherwise: str = "") -> str:
    """Return the cure for a word that is not known."""
    names = sorted(set(known))
    near = nearest(word, names)
    if near is not None:
        return f'Did you mean "{near}"?'
    more = f" and {len(names) - _LISTED} more" if len(names) > _LISTED else ""
    return otherwise or f"Known: {', '.join(names[:_LISTED]) or 'none yet'}{more}"


def is_secret(key: str) -> bool:
    """Return whether a key's value must never be repeated."""
    return not key.endswith("_file") and any(word in key.lower() for word in _SECRET_KEYS)


def translate(error: ErrorDetails, example: str, known_keys: Iterable[str]) -> Cured:
    """Return what is wrong and the cure for one of pydantic's errors.

    Args:
        error: as pydantic lists it.
        example: how the key is rightly written, such as `deadband = 10`; may be empty.
        known_keys: the keys allowed beside an unknown one.
    """
    kind, context = error["type"], error.get("ctx", {})
    if kind == "weirwatch":
        return str(context["what"]), str(context["cure"])
    if kind == "extra_forbidden":
        return _unknown_key(str(error["loc"][-1]), known_keys)
    told = _WORDS.get(kind)
    what = told(context) if told else error["msg"].lower().removesuffix(".")
    if kind in ("literal_error", "enum") and isinstance(error["input"], str):
        return what, did_you_mean(error["input"], re.findall("'([^']*)'", context["expected"]))
    verb = "Add" if kind == "missing" else "Write for example"
    return what, f"{verb} {example}" if example else ""


def _unknown_key(key: str, known: Iterable[str]) -> Cured:
    if is_secret(key):
        return (
            "is not a known key, and secrets never stand in this file",
            "Put username and password in a file of their own and name it with "
            "broker.credentials_file",
        )
    return "is not a known key", did_you_mean(key, known)


def _number(context: Mapping[str, Any], key: str) -> str:
    return f"{float(context[key]):,.10g}".replace(",", " ")


_WORDS: dict[str, Callable[[Mapping[str, Any]], str]] = {
    "missing": lambda _: "is missing",
    "float_type": lambda _: "is not a number",
    "float_parsing": lambda _: "is not a number",
    "finite_number": lambda _: "is not a finite number",
    "int_type": lambda _: "is not a whole number",
    "int_from_float": lambda _: "is not a whole number",
    "int_parsing_size": lambda _: "is too large",
    "bool_type": lambda _: "is neither true nor false",
    "string_type": lambda _: "is not a text in quotes",
    "string_too_short": lambda _: "is empty",
    "string_too_long": lambda c: f"is longer than {c['max_length']} characters",
    "list_type": lambda _: "is not a list in [ ]",
    "too_short": lambda c: f"has fewer than {c['min_length']} entries",
    "too_long": lambda c: f"has more than {c['max_length']} entries",
    "dict_type": lambda _: "is not a table in { }",
    "model_type": lambda _: "is not a table in { }",
    "greater_than": lambda c: f"must be more than {_number(c, 'gt')}",
    "greater_than_equal": lambda c: f"must be {_number(c, 'ge')} or more",
    "less_than": lambda c: f"must be less than {_number(c, 'lt')}",
    "less_than_equal": lambda c: f"must be {_number(c, 'le')} or less",
    "literal_error": lambda c: f"is none of {c['expected'].replace(chr(39), chr(34))}",
    "enum": lambda c: f"is none of {c['expected'].replace(chr(39), chr(34))}",
}
