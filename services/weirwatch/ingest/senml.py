"""How a SenML pack (RFC 8428) becomes resolved records: base fields, times, values, versions.

`resolve` is the rule; `read` is the same for bytes, with a short cut for the plain packs that
nearly every message is. Neither knows anything of channels. What can be resolved is returned,
with one sentence for each record that cannot; only a version or a field that must not be
misunderstood refuses a whole pack.
"""

import re
from decimal import Decimal
from functools import lru_cache
from typing import Any, NamedTuple

import msgspec
from msgspec import UNSET, UnsetType

from weirwatch.domain.errors import BadPayload
from weirwatch.domain.instant import SECOND, Micros
from weirwatch.ingest.payload import load_pack

MAX_RECORDS = 2000
RELATIVE_BELOW_S = 2**28  # RFC 8428, 4.5.3: smaller times count from now
KNOWN_VERSIONS = frozenset({*range(1, 11), 26})  # RFC 9100: 26 = 10 + feature 4, secondary units

_BASE_LABELS = frozenset({"bn", "bt", "bu", "bv", "bs", "bver"})
_LABELS = _BASE_LABELS | {"n", "u", "v", "vs", "vb", "vd", "s", "t", "ut"}
_HEADING_LACKS = frozenset({"n", "t", "u", "ut"})
_VALUE_LABELS = ("v", "vb", "vs", "vd")
_NAME = re.compile(r"[A-Za-z0-9][A-Za-z0-9\-:./_]*")
_ABSURD_S = 1e18  # beyond any clock's mistake; keeps times out of reach of overflow
_BEFORE_ALL = -(10**30)

Value = float | bool | str | bytes

# One resolved record: base name and name joined; unit (empty when neither record nor base gives
# one); absolute time; float from v, bool from vb, str from vs, text or bytes from vd. A bare
# tuple, because it is made for every reading.
Record = tuple[str, str, Micros, Value]


class Problem(NamedTuple):
    """Why a record, or the rest of a pack, could not be used; `code` is stable."""

    code: str
    reason: str


class Pack(NamedTuple):
    """A resolved pack.

    Attributes:
        records: in chronological order.
        sums: how many records carried a sum, which is not stored.
    """

    records: list[Record]
    problems: list[Problem]
    sums: int


class _Base:
    """The base fields in force; they hold for this record and the later ones."""

    __slots__ = ("name", "sum", "sums", "time", "unit", "value")

    def __init__(self) -> None:
        self.name = ""
        self.time: float = 0
        self.unit = ""
        self.value: float = 0
        self.sum: float | None = None
        self.sums = 0  # records that carried one


class _Unusable(Exception):  # noqa: N818 - carries a problem; never leaves this file
    """One record is unusable; with `rest` all later ones too, with `whole` the whole pack."""

    def __init__(self, code: str, reason: str, *, rest: bool = False, whole: bool = False) -> None:
        super().__init__(reason)
        self.problem = Problem(code, reason)
        self.rest = rest or whole
        self.whole = whole


class _Plain(msgspec.Struct, forbid_unknown_fields=True, gc=False):
    """A record of the usual fields only; the parser itself checks their types."""

    v: float | UnsetType = UNSET
    vb: bool | UnsetType = UNSET
    n: str = ""
    t: float | None = None
    u: str | None = None
    bn: str | None = None
    bt: float | None = None
    bu: str | None = None


_decode_plain = msgspec.json.Decoder(list[_Plain]).decode


def read(payload: bytes, now: Micros) -> Pack:
    """Decode and resolve a JSON or CBOR pack that arrived `now`; never raises."""
    try:
        records = _read_plain(payload, now)
    except (msgspec.DecodeError, UnicodeDecodeError):
        records = None
    if records:
        return Pack(records, [], 0) if len(records) <= MAX_RECORDS else _too_large(len(records))
    try:
        return resolve(load_pack(payload), now)
    except BadPayload as error:
        return _refused(f"{error}: send SenML (RFC 8428)")


def _read_plain(payload: bytes, now: Micros) -> list[Record] | None:
    """Return the records, or None when only `resolve` can tell what is wrong."""
    base_name, base_unit = "", ""
    base_time: float = 0
    own_time, when, newest, sort = None, now, _BEFORE_ALL, False
    records: list[Record] = []
    for plain in _decode_plain(payload):
        base_name = base_name if plain.bn is None else plain.bn
        base_unit = base_unit if plain.bu is None else plain.bu
        if plain.bt is not None:
            base_time, own_time = plain.bt, None
            when = _moment(base_time, now)
        if plain.t != own_time:  # most packs have one time for all
            own_time = plain.t
            when = _moment(base_time + (own_time or 0), now)
        if when < newest:
            sort = True
        newest = when
        name, unset = base_name + plain.n, plain.vb is UNSET
        if (plain.v is UNSET) is unset or not good_name(name):  # no value, or one too many
            return None
        value: Any = plain.v if unset else plain.vb
        records.append((name, base_unit if plain.u is None else plain.u, when, value))
    if sort:
        records.sort(key=_time_of)
    return records


def resolve(pack: object, now: Micros) -> Pack:
    """Resolve a decoded pack that arrived `now`; never raises."""
    if not isinstance(pack, list) or not pack:
        return _refused("a SenML pack is an array of one record or more: put [ ] around it")
    if len(pack) > MAX_RECORDS:
        return _too_large(len(pack))
    base = _Base()
    problems: list[Problem] = []
    records = _resolve_all(pack, base, now, problems)
    if not records and not problems and not base.sums:
        problems.append(Problem("no-value", "the SenML pack has no value in it: send v"))
    records.sort(key=_time_of)
    return Pack(records, problems, base.sums)


def _resolve_all(
    pack: list[object], base: _Base, now: Micros, problems: list[Problem]
) -> list[Record]:
    records: list[Record] = []
    for raw in pack:
        try:
            record = _resolve_record(raw, base, now)
        except _Unusable as error:
            problems.append(error.problem)
            if error.whole:
                records.clear()
            if error.rest:
                break
            continue
        if record is not None:
            records.append(record)
    return records


def _refused(reason: str) -> Pack:
    return Pack([], [Problem("not-senml", reason)], 0)


def _too_large(count: int) -> Pack:
    reason = f"{count} records: send at most {MAX_RECORDS} in one message"
    return Pack([], [Problem("too-large", reason)], 0)


def _time_of(record: Record) -> Micros:
    return record[2]


@lru_cache(maxsize=4096)
def good_name(name: str) -> bool:
    """Return whether a resolved name keeps to the characters of RFC 8428, 4.5.1."""
    return _NAME.fullmatch(name) is not None


def _resolve_record(raw: object, base: _Base, now: Micros) -> Record | None:
    """Return the record; None for one that only sets base fields or carries a sum."""
    if not isinstance(raw, dict):
        raise _Unusable("not-senml", f"record {_show(raw)} of the SenML pack is not an object")
    _refuse_unknown(raw)
    _adopt(base, raw)
    label = _value_label(raw)
    if "s" in raw or base.sum is not None:
        base.sums += 1
        if label is None:
            return None
    elif label is None:
        if raw.keys() & _HEADING_LACKS or not raw.keys() & _BASE_LABELS:
            raise _Unusable("no-value", f"record {_show(raw)} has no value: send v")
        return None
    name = _name(raw, base)
    unit = _text(raw, "u") if "u" in raw else base.unit
    return name, unit, _time(raw, base, now), _value(raw, label, base, name)


def _moment(seconds: float, now: Micros) -> Micros:
    """Return an absolute time; a smaller one than 2^28 s counts from now."""
    if RELATIVE_BELOW_S <= seconds < _ABSURD_S:
        return round(seconds * SECOND)
    if seconds >= RELATIVE_BELOW_S:
        return round(_ABSURD_S * SECOND)
    return now + round(max(seconds, -_ABSURD_S) * SECOND)


def _refuse_unknown(raw: dict[str, Any]) -> None:
    for label in raw.keys() - _LABELS:
        if label.endswith("_"):  # RFC 8428, 4.4: must be understood
            raise _Unusable(
                "must-understand",
                f"field {label[:40]!r} must be understood and is not: leave it out",
                whole=True,
            )
    version = raw.get("bver", 10)
    if type(version) is not int or version not in KNOWN_VERSIONS:
        raise _Unusable(
            "unknown-version",
            f"bver {_show(version)} is not known: send bver 10 or none",
            whole=True,
        )


def _adopt(base: _Base, raw: dict[str, Any]) -> None:
    if not raw.keys() & _BASE_LABELS:
        return
    if "bn" in raw:
        base.name = _text(raw, "bn")
    if "bu" in raw:
        base.unit = _text(raw, "bu")
    if "bt" in raw:
        base.time = _number(raw, "bt", rest=True)
    if "bv" in raw:
        base.value = _number(raw, "bv", rest=True)
    if "bs" in raw:
        base.sum = _number(raw, "bs", rest=True)


def _text(raw: dict[str, Any], label: str) -> str:
    text = raw[label]
    if not isinstance(text, str):
        raise _Unusable("bad-field", f"{label} {_show(text)} is not a text", rest=label[0] == "b")
    return text


def _number(raw: dict[str, Any], label: str, *, rest: bool = False) -> float:
    number = raw[label]
    if isinstance(number, Decimal):  # CBOR decimal fractions and big floats, RFC 8428, 6
        number = float(number)
    if type(number) is not float and type(number) is not int:
        raise _Unusable("bad-field", f"{label} {_show(number)} is not a number", rest=rest)
    if not _finite(number):
        raise _Unusable("bad-field", f"{label} is not a finite number", rest=rest)
    return float(number)


def _finite(number: float) -> bool:
    try:
        number = float(number)
    except OverflowError:
        return False
    return number - number == 0.0


def _name(raw: dict[str, Any], base: _Base) -> str:
    name = base.name + (_text(raw, "n") if "n" in raw else "")
    if not name:
        raise _Unusable("bad-name", "a record has no name: send n")
    if not good_name(name):
        raise _Unusable(
            "bad-name",
            f"name {name[:80]!r} must start with a letter or digit and hold only letters, digits"
            " and - : . / _",
        )
    return name


def _time(raw: dict[str, Any], base: _Base, now: Micros) -> Micros:
    if "ut" in raw:
        _number(raw, "ut")
    return _moment(base.time + (_number(raw, "t") if "t" in raw else 0), now)


def _value_label(raw: dict[str, Any]) -> str | None:
    labels = [label for label in _VALUE_LABELS if label in raw]
    if len(labels) > 1:
        raise _Unusable("bad-field", f"a record has {' and '.join(labels)}: send exactly one value")
    return labels[0] if labels else None


def _value(raw: dict[str, Any], label: str, base: _Base, name: str) -> Value:
    value = raw[label]
    if label == "v":
        return _measured(value, base, name)
    if label == "vb":
        if not isinstance(value, bool):
            raise _Unusable("bad-field", f"vb of {name!r} is {_show(value)}: send true or false")
        return value
    if not isinstance(value, str | bytes):
        raise _Unusable("bad-field", f"{label} of {name!r} is {_show(value)}, not a text")
    return value


def _measured(value: object, base: _Base, name: str) -> float:
    if isinstance(value, Decimal):
        value = float(value)
    if isinstance(value, bool) or not isinstance(value, float | int):
        raise _Unusable("not-a-number", f"v of {name!r} is {_show(value)}: send a number")
    if not _finite(value) or not _finite(total := base.value + float(value)):
        raise _Unusable(
            "not-a-number", f"v of {name!r} is not a finite number: leave the record out instead"
        )
    return total


def _show(value: object) -> str:
    return repr(value)[:40]
