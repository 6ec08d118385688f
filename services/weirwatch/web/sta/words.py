"""The home of the query language: tokens, filter expressions and options of SensorThings 1.1.

OGC 18-088 section 9.3; the grammar is that of OData 4.0, of which the common part is understood.
"""

import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import Any

from weirwatch.domain.instant import Micros
from weirwatch.web.parameters import parse_time

MOST_ITEMS = 1000
_DEEPEST = 20
_TOKEN = re.compile(
    r"\s*(?:(?P<text>'(?:[^']|'')*')|(?P<time>\d{4}-\d\d-\d\dT[0-9:.]+(?:Z|[+-]\d\d:\d\d))"
    r"|(?P<number>-?\d+(?:\.\d+)?(?:[eE][+-]?\d+)?)|(?P<name>[@A-Za-z_][\w@./]*)|(?P<mark>[(),]))"
)
_FUNCTIONS: Mapping[str, tuple[int, Callable[..., Any]]] = {
    "substringof": (2, lambda part, text: str(part) in str(text)),
    "contains": (2, lambda text, part: str(part) in str(text)),
    "startswith": (2, lambda text, part: str(text).startswith(str(part))),
    "endswith": (2, lambda text, part: str(text).endswith(str(part))),
    "tolower": (1, lambda text: str(text).lower()),
    "toupper": (1, lambda text: str(text).upper()),
    "trim": (1, lambda text: str(text).strip()),
    "length": (1, lambda text: len(str(text))),
}
_CONSTANTS: Mapping[str, bool | None] = {"true": True, "false": False, "null": None}
_COMPARE: Mapping[str, Callable[[Any, Any], bool]] = {
    "eq": lambda a, b: bool(a == b),
    "ne": lambda a, b: bool(a != b),
    "gt": lambda a, b: bool(a > b),
    "ge": lambda a, b: bool(a >= b),
    "lt": lambda a, b: bool(a < b),
    "le": lambda a, b: bool(a <= b),
}

Find = Callable[[str], Any]
"""Returns the value at a path of the entity that is looked at; None: there is none."""
Test = Callable[[Find], Any]


@dataclass(frozen=True, slots=True)
class Bound:
    """One comparison of a path with a time, where all of them must hold."""

    path: str
    operator: str
    time: Micros


@dataclass(frozen=True, slots=True)
class Filter:
    """A condition on entities.

    Attributes:
        test: says whether it holds.
        bounds: comparisons with a time that must hold in any case, to read less of the history.
    """

    test: Test
    bounds: tuple[Bound, ...]


@dataclass(frozen=True, slots=True)
class Options:
    """What a request asks for."""

    top: int = 100
    skip: int = 0
    count: bool = False
    select: tuple[str, ...] = ()
    order: tuple[tuple[str, bool], ...] = ()  # path, descending
    filter: Filter | None = None
    expand: Mapping[str, "Options"] = field(default_factory=dict)
    data_array: bool = False
    after: str = ""  # our own $skiptoken


def options(given: Mapping[str, str], depth: int = 0) -> Options:
    """Return the options of a request.

    Raises:
        ValueError: an option is unknown or wrong; the sentence says which.
    """
    known = {
        "$top", "$skip", "$count", "$select", "$orderby", "$filter", "$expand", "$resultFormat",
        "$skiptoken",
    }  # fmt: skip
    for name in given:
        if name not in known:
            raise ValueError(f"{name}: is none of {', '.join(sorted(known))}")
    if given.get("$resultFormat", "dataArray") != "dataArray":
        raise ValueError("$resultFormat: only dataArray is known")
    if given.get("$count", "false") not in ("true", "false"):
        raise ValueError("$count: write true or false")
    return Options(
        top=min(_whole(given, "$top", 100), MOST_ITEMS),
        skip=_whole(given, "$skip", 0),
        count=given.get("$count") == "true",
        select=tuple(part.strip() for part in given.get("$select", "").split(",") if part.strip()),
        order=tuple(_order(part) for part in given.get("$orderby", "").split(",") if part.strip()),
        filter=parse_filter(given["$filter"]) if given.get("$filter", "").strip() else None,
        expand=_expand(given.get("$expand", ""), depth),
        data_array="$resultFormat" in given,
        after=given.get("$skiptoken", ""),
    )


def parse_filter(text: str) -> Filter:
    """Return the condition of a `$filter`.

    Raises:
        ValueError: it is none that is understood.
    """
    reader = _Reader(text)
    test, bounds = reader.either(0)
    if reader.next() is not None:
        raise ValueError(f"$filter: {reader.seen!r} is one too many")
    return Filter(test, bounds)


def _whole(given: Mapping[str, str], name: str, default: int) -> int:
    text = given.get(name)
    if text is None:
        return default
    if not re.fullmatch(r"\d{1,9}", text, re.ASCII):
        raise ValueError(f"{name}: write a whole number of 0 or more")
    return int(text)


def _order(part: str) -> tuple[str, bool]:
    path, *way = part.split()
    if len(way) > 1 or (way and way[0] not in ("asc", "desc")):
        raise ValueError(f"$orderby: {part.strip()!r} is not a property with asc or desc")
    return path, way == ["desc"]


def _expand(text: str, depth: int) -> Mapping[str, Options]:
    if depth > 4:
        raise ValueError("$expand: is nested too deep")
    found: dict[str, Options] = {}
    for part in _split(text, ","):
        name, _, inner = part.partition("(")
        given: dict[str, str] = {}
        if inner:
            if not inner.endswith(")"):
                raise ValueError("$expand: a parenthesis is not closed")
            for option in _split(inner[:-1], ";"):
                key, _, value = option.partition("=")
                given[key.strip()] = value
        first, _, rest = name.strip().partition("/")
        if rest:
            given["$expand"] = ",".join(filter(None, (given.get("$expand"), rest)))
        found[first] = options(given, depth + 1)
    return found


def _split(text: str, separator: str) -> list[str]:
    """Split outside of parentheses and quotes."""
    parts, depth, quoted, start = [], 0, False, 0
    for place, letter in enumerate(text):
        if letter == "'":
            quoted = not quoted
        elif not quoted:
            depth += (letter == "(") - (letter == ")")
            if letter == separator and depth == 0:
                parts.append(text[start:place])
                start = place + 1
    return [part.strip() for part in (*parts, text[start:]) if part.strip()]


class _Reader:
    """Reads one expression from left to right."""

    def __init__(self, text: str) -> None:
        self._tokens: list[tuple[str, str]] = []
        place = 0
        text = text.strip()
        while place < len(text):
            found = _TOKEN.match(text, place)
            if found is None or found.lastgroup is None:
                raise ValueError(f"$filter: {text[place : place + 20]!r} is not understood")
            self._tokens.append((found.lastgroup, found[found.lastgroup]))
            place = found.end()
        self._place = 0
        self.seen = ""

    def next(self) -> tuple[str, str] | None:
        if self._place >= len(self._tokens):
            return None
        kind, self.seen = self._tokens[self._place]
        return kind, self.seen

    def either(self, depth: int) -> tuple[Test, tuple[Bound, ...]]:
        left, bounds = self._both(depth)
        while self._takes("or"):
            right, _ = self._both(depth)
            left, bounds = _or(left, right), ()
        return left, bounds

    def _both(self, depth: int) -> tuple[Test, tuple[Bound, ...]]:
        left, bounds = self._one(depth)
        while self._takes("and"):
            right, more = self._one(depth)
            left, bounds = _and(left, right), (*bounds, *more)
        return left, bounds

    def _one(self, depth: int) -> tuple[Test, tuple[Bound, ...]]:
        if depth > _DEEPEST:
            raise ValueError("$filter: is nested too deep")
        if self._takes("not"):
            inner, _ = self._one(depth + 1)
            return (lambda find: not inner(find)), ()
        if self._takes("("):
            found = self.either(depth + 1)
            self._must(")")
            return found
        return self._comparison(depth)

    def _comparison(self, depth: int) -> tuple[Test, tuple[Bound, ...]]:
        left, path, time = self._value(depth)
        word = self.next()
        if word is None or word[1] not in _COMPARE:
            return left, ()
        self._place += 1
        right, other_path, other_time = self._value(depth)
        operator = word[1]
        bounds: tuple[Bound, ...] = ()
        if path and other_time is not None:
            bounds = (Bound(path, operator, other_time),)
        elif other_path and time is not None:
            turned = {"gt": "lt", "ge": "le", "lt": "gt", "le": "ge"}.get(operator, operator)
            bounds = (Bound(other_path, turned, time),)
        return _compared(_COMPARE[operator], left, right), bounds

    def _value(self, depth: int) -> tuple[Test, str, Micros | None]:
        if depth > _DEEPEST:
            raise ValueError("$filter: is nested too deep")
        token = self.next()
        if token is None:
            raise ValueError("$filter: something is missing at its end")
        self._place += 1
        kind, text = token
        if kind == "time":
            time = parse_time(text)
            return (lambda _: time), "", time
        if kind == "mark":
            raise ValueError(f"$filter: {text!r} is not expected there")
        if kind in ("text", "number") or text in _CONSTANTS:
            constant = _constant(kind, text)
            return (lambda _: constant), "", None
        if text in _FUNCTIONS and self._takes("("):
            return self._call(text, depth + 1), "", None
        return (lambda find: find(text)), text, None

    def _call(self, name: str, depth: int) -> Test:
        count, function = _FUNCTIONS[name]
        arguments = [self._value(depth)[0]]
        while self._takes(","):
            arguments.append(self._value(depth)[0])
        self._must(")")
        if len(arguments) != count:
            raise ValueError(f"$filter: {name} takes {count} arguments")
        return lambda find: function(*(argument(find) for argument in arguments))

    def _takes(self, text: str) -> bool:
        token = self.next()
        if token is None or token[0] == "text" or token[1] != text:
            return False
        self._place += 1
        return True

    def _must(self, text: str) -> None:
        if not self._takes(text):
            raise ValueError(f"$filter: {text!r} is missing")


def _constant(kind: str, text: str) -> str | float | bool | None:
    if kind == "text":
        return text[1:-1].replace("''", "'")
    return float(text) if kind == "number" else _CONSTANTS[text]


def _or(left: Test, right: Test) -> Test:
    return lambda find: bool(left(find)) or bool(right(find))


def _and(left: Test, right: Test) -> Test:
    return lambda find: bool(left(find)) and bool(right(find))


def _compared(compare: Callable[[Any, Any], bool], left: Test, right: Test) -> Test:
    def holds(find: Find) -> bool:
        a, b = left(find), right(find)
        if isinstance(a, str) and _is_time(b):
            a = _time_in(a)
        elif isinstance(b, str) and _is_time(a):
            b = _time_in(b)
        try:
            return compare(a, b)
        except TypeError:
            return False  # of different kinds, or null: neither more nor less

    return holds


def _is_time(value: Any) -> bool:
    """Return whether it is a time of the expression: its numbers are all floating."""
    return isinstance(value, int) and not isinstance(value, bool)


def _time_in(text: str) -> Micros | None:
    try:
        return parse_time(text)
    except ValueError:
        return None
