"""From what the keeper writes to an entry of the log: units, belief, and what follows from it."""

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any, cast, get_args

import msgspec

from weirwatch.domain.errors import RefusedEntry
from weirwatch.domain.instant import SECOND, Micros, from_rfc3339, to_rfc3339
from weirwatch.domain.keeper_log import KINDS, Correction, LogEntry, correction_at
from weirwatch.domain.quantity import convert
from weirwatch.pipeline.calibrating import find_calibration
from weirwatch.pipeline.log_units import MEASURES, amount, counted, in_unit, measured
from weirwatch.pipeline.photos import photo_json
from weirwatch.pipeline.plant_figures import volume_l
from weirwatch.pipeline.proofs import FAILED, PASSED, proved
from weirwatch.settings import Settings
from weirwatch.water.dosing import (
    Substance,
    alkalinity_from_grams_dkh,
    calcium_from_grams_mg_L,
    calcium_with_alkalinity_mg_L,
    limewater_dkh,
)

LIME_WATER = "lime-water"
SUBSTANCES: tuple[str, ...] = get_args(Substance)
BUDGET = ("alkalinity", "calcium", "magnesium")
_MOST_AT_ONCE = {"alkalinity": 1.0, "calcium": 20.0, "magnesium": 50.0}  # common practice, a day
_FUTURE: Micros = 60 * SECOND
_EARLIEST: Micros = from_rfc3339("1970-01-01T00:00:00Z")
_LONGEST_TEXT = 4000
_LONGEST_WORD = 200


class LogRequest(msgspec.Struct, frozen=True, forbid_unknown_fields=True, omit_defaults=True):
    """What the keeper writes; empty and null stand for what was left out."""

    kind: str
    time: str = ""
    system: str = ""
    subject: str = ""
    value: float | None = None
    unit: str = ""
    strength_g_l: float | None = None
    effluent_dkh: float | None = None
    before: float | None = None
    daily: bool = False
    fresh: dict[str, float] = {}
    channel: str = ""
    points: list[tuple[float, float]] = []
    temperature_degc: float | None = None
    text: str = ""
    who: str = ""
    replaces: int | None = None
    sure: bool = False


@dataclass(frozen=True, slots=True)
class LogWorld:
    """What an entry is judged by.

    Attributes:
        now: service time.
        find: number → that entry, or None.
        corrections: channel → its corrections, oldest first.
    """

    settings: Settings
    now: Micros
    find: Callable[[int], LogEntry | None]
    corrections: Mapping[str, tuple[Correction, ...]]


def request_from(data: object) -> LogRequest:
    """Return the request of plain JSON data.

    Raises:
        RefusedEntry: a field is missing, unknown or of the wrong type.
    """
    try:
        return msgspec.convert(data, LogRequest)
    except (msgspec.ValidationError, RecursionError) as error:
        raise RefusedEntry(f"not an entry of the log: {error}") from error


def make_entry(request: LogRequest, world: LogWorld) -> LogEntry:
    """Return the entry, not stored yet.

    Raises:
        RefusedEntry: it cannot be, or nobody would believe it unasked.
    """
    if request.kind not in KINDS:
        raise RefusedEntry(f"kind {request.kind!r} is none of {', '.join(KINDS)}")
    _check_texts(request)
    _check_numbers(request)
    entry = LogEntry(
        time=_time(request, world.now),
        recorded_at=world.now,
        kind=request.kind,
        system=_system(request, world.settings),
        subject=request.subject,
        given=_given(request),
        text=request.text,
        who=request.who,
        replaces=_replaces(request, world),
    )
    return _KINDS[request.kind](request, entry, world)


def entry_json(entry: LogEntry) -> dict[str, Any]:
    """Return an entry as API and command line show it."""
    return {
        "number": entry.number,
        "time": to_rfc3339(entry.time),
        "recorded_at": to_rfc3339(entry.recorded_at),
        "kind": entry.kind,
        "system": entry.system,
        "subject": entry.subject or None,
        "value": entry.value,
        "unit": entry.unit,
        "given": entry.given,
        "channel": entry.channel or None,
        "detail": dict(entry.detail),
        "text": entry.text,
        "who": entry.who or None,
        "replaces": entry.replaces,
        "replaced_by": entry.replaced_by,
        "photos": [photo_json(photo) for photo in entry.photos],
    }


def _test(request: LogRequest, entry: LogEntry, _: LogWorld) -> LogEntry:
    value, unit = measured(request.subject, _value(request), request.unit, sure=request.sure)
    return replace(entry, value=value, unit=unit)


def _dose(request: LogRequest, entry: LogEntry, world: LogWorld) -> LogEntry:
    value, subject = _value(request), request.subject
    if subject in BUDGET:
        kept, unit = in_unit(subject, value, request.unit), MEASURES[subject].unit
        rises = {subject: kept}
    elif subject in SUBSTANCES:
        kept, unit = _grams(request, value), "g"
        litres, dry = _volume(entry, world, subject), cast("Substance", subject)
        rises = {
            "alkalinity": alkalinity_from_grams_dkh(dry, kept, litres),
            "calcium": calcium_from_grams_mg_L(dry, kept, litres),
        }
    elif subject == LIME_WATER:
        kept, unit = amount(value, request.unit, "L"), "L"
        dkh = limewater_dkh(kept, _volume(entry, world, subject))
        rises = {"alkalinity": dkh, "calcium": calcium_with_alkalinity_mg_L(dkh)}
    else:
        return _unknown_dose(request, entry, value)
    rises = {name: rise for name, rise in rises.items() if rise}
    _question_rises(rises, request)
    return replace(entry, value=kept, unit=unit, detail={"rises": rises, "daily": request.daily})


def _unknown_dose(request: LogRequest, entry: LogEntry, value: float) -> LogEntry:
    if not request.sure:
        known = ", ".join((*BUDGET, *SUBSTANCES, LIME_WATER))
        raise RefusedEntry(
            f"{request.subject!r} counts for nothing in the budget: write one of {known}, or say"
            " that you are sure (--sure) to keep it as a record"
        )
    detail = {"rises": {}, "daily": request.daily}
    return replace(entry, value=value, unit=request.unit, detail=detail)


def _grams(request: LogRequest, value: float) -> float:
    if request.strength_g_l is None:
        return amount(value, request.unit, "g")
    if not 0.0 < request.strength_g_l <= 2000.0:
        raise RefusedEntry(f"strength {request.strength_g_l:g} g/L is impossible")
    return amount(value, request.unit, "L") * request.strength_g_l


def _question_rises(rises: Mapping[str, float], request: LogRequest) -> None:
    for name, rise in rises.items():
        if abs(rise) > _MOST_AT_ONCE[name] and not request.sure:
            raise RefusedEntry(
                f"that is {rise:.3g} {MEASURES[name].unit} of {name} at once, more than"
                f" {_MOST_AT_ONCE[name]:g} a day: if it was really so, say that you are sure"
                " (--sure)"
            )


def _reactor(request: LogRequest, entry: LogEntry, world: LogWorld) -> LogEntry:
    try:
        flow = convert(_value(request), request.unit, "mL/min")
    except ValueError as error:
        raise RefusedEntry("the reactor's effluent flow: write it in mL/min") from error
    effluent = request.effluent_dkh
    if effluent is None and flow > 0.0:
        raise RefusedEntry("the reactor needs its effluent's alkalinity, in dKH (--effluent)")
    effluent = effluent or 0.0
    if not 0.0 <= flow <= 10_000.0 or not 0.0 <= effluent <= 168.0:
        raise RefusedEntry(f"flow {flow:g} mL/min with {effluent:g} dKH is impossible")
    if flow > 0.0 and not 10.0 <= effluent <= 60.0 and not request.sure:
        raise RefusedEntry(
            f"effluent of {effluent:g} dKH is outside 10 to 60: say that you are sure (--sure)"
        )
    _volume(entry, world, "a reactor")
    return replace(entry, value=flow, unit="mL/min", detail={"effluent_dkh": effluent})


def _water_change(request: LogRequest, entry: LogEntry, world: LogWorld) -> LogEntry:
    litres = amount(_value(request), request.unit, "L")
    part = litres / _volume(entry, world, "a water change")
    if part > 1.0 or (part > 0.5 and not request.sure):
        raise RefusedEntry(
            f"{litres:g} L are {part:.0%} of the water: look at number and unit, or say that you"
            " are sure (--sure)"
        )
    for name, value in request.fresh.items():
        if name not in BUDGET:
            raise RefusedEntry(f"fresh water's {name!r} is none of {', '.join(BUDGET)}")
        measured(name, value, MEASURES[name].unit, sure=request.sure)
    return replace(
        entry, value=litres, unit="L", detail={"part": part, "fresh": dict(request.fresh)}
    )


def _words(request: LogRequest, entry: LogEntry, _: LogWorld) -> LogEntry:
    if not request.text.strip():
        raise RefusedEntry(f"a {request.kind} without words says nothing: add text")
    return entry


def _calibration(request: LogRequest, entry: LogEntry, world: LogWorld) -> LogEntry:
    channel = next((c for c in world.settings.channels if c.id == request.channel), None)
    derived = {derived.channel for derived in world.settings.derived}
    if channel is None or channel.id in derived:
        near = [c.id for c in world.settings.channels if c.id.endswith(f"/{request.channel}")]
        meant = f"did you mean {' or '.join(near)}?"
        cure = meant if near else "write system/node/name, as it stands there"
        raise RefusedEntry(
            f"{request.channel!r} is no probe's channel of the configuration: {cure}"
        )
    standing = correction_at(world.corrections.get(channel.id, ()), entry.time)
    found = find_calibration(channel, request.points, request.temperature_degc, standing)
    if found.verdict == "reject" and not request.sure:
        raise RefusedEntry(
            f"{'; '.join(found.reasons)}. To use it all the same say that you are sure (--sure)"
        )
    start = max(entry.time, entry.recorded_at)
    detail = {
        **found.as_json(),
        "points": [list(point) for point in request.points],
        "temperature_degc": request.temperature_degc,
        "start": start,
    }
    return replace(entry, channel=channel.id, unit=channel.unit, detail=detail)


def _proof(request: LogRequest, entry: LogEntry, world: LogWorld) -> LogEntry:
    sensors = {channel.id: sensor for channel, sensor in proved(world.settings)}
    sensor = sensors.get(request.channel)
    if sensor is None:
        raise RefusedEntry(
            f"{request.channel!r} is no channel whose sensor can be proved: see weirwatch proof"
        )
    if request.subject not in (PASSED, FAILED):
        raise RefusedEntry(f"a proof is {PASSED} or {FAILED}: say which as its subject")
    return replace(entry, channel=request.channel, detail={"sensor": sensor.name})


def _maintenance(request: LogRequest, entry: LogEntry, world: LogWorld) -> LogEntry:
    if not request.subject:
        return _words(request, entry, world)
    known = [job.id for job in world.settings.jobs]
    job = next((job for job in world.settings.jobs if job.id == request.subject), None)
    if job is None:
        raise RefusedEntry(
            f"{request.subject!r} is no [[job]] of the configuration: {_one_of(known)}; or leave"
            " it out and say it in words"
        )
    return replace(entry, system=job.system)


def _one_of(known: Sequence[str]) -> str:
    return f"one of {', '.join(known)}" if known else "it has none, add one there"


def _supply(request: LogRequest, entry: LogEntry, world: LogWorld) -> LogEntry:
    known = [supply.id for supply in world.settings.supplies]
    supply = next((s for s in world.settings.supplies if s.id == request.subject), None)
    if supply is None:
        raise RefusedEntry(
            f"{request.subject!r} is no [[supply]] of the configuration: {_one_of(known)}"
        )
    left = counted(supply, _value(request), request.unit, sure=request.sure)
    before = request.before
    if before is not None:
        before = counted(supply, before, request.unit, sure=request.sure)
        if before > left:
            raise RefusedEntry(
                f"there was more before ({before:g} {supply.unit}) than after ({left:g}): write"
                " what is there now first, what was there before it was filled as before"
            )
    return replace(
        entry, system=supply.system, value=left, unit=supply.unit, detail={"before": before}
    )


_KINDS: Mapping[str, Callable[[LogRequest, LogEntry, LogWorld], LogEntry]] = {
    "test": _test,
    "dose": _dose,
    "reactor": _reactor,
    "water-change": _water_change,
    "maintenance": _maintenance,
    "supply": _supply,
    "note": _words,
    "calibration": _calibration,
    "proof": _proof,
}


def _value(request: LogRequest) -> float:
    if request.value is None:
        raise RefusedEntry(f"a {request.kind} needs a number and its unit")
    return request.value


def _given(request: LogRequest) -> str:
    if request.value is None:
        return ""
    strength = "" if request.strength_g_l is None else f" of {request.strength_g_l:g} g/L"
    return f"{request.value:g} {request.unit}".strip() + strength


def _volume(entry: LogEntry, world: LogWorld, what: str) -> float:
    plant = world.settings.plant
    if plant is None or plant.system != entry.system:
        raise RefusedEntry(
            f"{what} needs the system's volume: describe it in [plant], or log the rise itself, as"
            " in: dose alkalinity 0.3 dKH"
        )
    return volume_l(plant)


def _time(request: LogRequest, now: Micros) -> Micros:
    if not request.time:
        return now
    try:
        time = from_rfc3339(request.time)
    except ValueError as error:
        raise RefusedEntry(f"time {request.time!r}: write it as 2026-05-01T12:00:00Z") from error
    if not _EARLIEST <= time <= now + _FUTURE:
        raise RefusedEntry(f"time {request.time} is not in the past")
    return time


def _system(request: LogRequest, settings: Settings) -> str:
    known = [system.id for system in settings.systems]
    if request.system:
        if request.system not in known:
            raise RefusedEntry(f"system {request.system!r} is none of {', '.join(known)}")
        return request.system
    if request.channel:
        return request.channel.split("/", 1)[0]
    if len(known) > 1:
        raise RefusedEntry(f"say which system: {', '.join(known)}")
    return known[0]


def _replaces(request: LogRequest, world: LogWorld) -> int | None:
    if request.replaces is None:
        return None
    old = world.find(request.replaces)
    if old is None:
        raise RefusedEntry(f"there is no entry {request.replaces} to correct")
    if old.replaced_by is not None:
        raise RefusedEntry(f"entry {old.number} is corrected by {old.replaced_by} already")
    if old.kind == "calibration" and (
        request.kind != "calibration" or request.channel != old.channel
    ):
        raise RefusedEntry("a calibration is corrected by another one of the same channel")
    return old.number


def _check_texts(request: LogRequest) -> None:
    texts: Sequence[tuple[str, str, int]] = (
        ("text", request.text, _LONGEST_TEXT),
        *((name, getattr(request, name), _LONGEST_WORD) for name in _WORD_FIELDS),
    )
    for name, text, longest in texts:
        if len(text) > longest:
            raise RefusedEntry(f"{name} is longer than {longest} characters")
        if not all(c.isprintable() or c in "\n\t" for c in text):
            raise RefusedEntry(f"{name} holds control characters")


_WORD_FIELDS = ("subject", "unit", "channel", "system", "who", "time")


def _check_numbers(request: LogRequest) -> None:
    numbers = [
        request.value,
        request.strength_g_l,
        request.effluent_dkh,
        request.before,
        request.temperature_degc,
        *request.fresh.values(),
        *(number for point in request.points for number in point),
    ]
    for number in numbers:
        if number is not None and (not math.isfinite(number) or abs(number) > 1e12):
            raise RefusedEntry(f"{number} is no usable number")
