"""The home of proof tests as the service knows them: which sensors, when last, when due."""

from collections.abc import Iterable, Mapping, Sequence
from typing import Any

from weirwatch.domain.instant import SECOND, Micros, seconds, to_rfc3339
from weirwatch.domain.keeper_log import LogEntry
from weirwatch.domain.planned_work import PlannedWork
from weirwatch.domain.proof import Sensor, quiet_rules, sensor_of
from weirwatch.domain.reading import Channel
from weirwatch.pipeline.supplies import DAY
from weirwatch.pipeline.work_desk import PROOF
from weirwatch.settings import Settings

Json = dict[str, Any]
PASSED, FAILED = "passed", "failed"
_DURATION: Micros = 20 * 60 * SECOND
_SETTLE: Micros = 120 * SECOND


def proved(settings: Settings) -> Sequence[tuple[Channel, Sensor]]:
    """Return the channels whose sensor can be proved, in the file's order."""
    derived = {entry.channel for entry in settings.derived}
    pairs = [
        (channel, sensor_of(channel, settings.rules))
        for channel in settings.channels
        if channel.id not in derived
    ]
    return [(channel, sensor) for channel, sensor in pairs if sensor is not None]


def proof_works(settings: Settings) -> dict[str, PlannedWork]:
    """Return the planned work of each proof: the rules on its channel, but no bold failure's."""
    return {
        f"{PROOF}{channel.id}": PlannedWork(
            f"{PROOF}{channel.id}",
            f"Proof of {channel.label}",
            _DURATION,
            _SETTLE,
            quiet_rules(channel.id, settings.rules),
            (),
            _DURATION + _SETTLE,
        )
        for channel, _ in proved(settings)
    }


def proofs_json(
    settings: Settings, entries: Iterable[LogEntry], now: Micros, system: str = ""
) -> list[Json]:
    """Return each sensor that can be proved, with its last proof and when the next is due.

    Args:
        settings: the service's.
        entries: of the log, corrected ones left out.
        now: service time.
        system: only this one; empty: all.
    """
    last: dict[str, LogEntry] = {}
    for entry in sorted(entries, key=lambda entry: entry.time):
        if entry.kind == "proof":
            last[entry.channel] = entry
    return [
        _proof(settings, channel, sensor, last.get(channel.id), now)
        for channel, sensor in proved(settings)
        if system in ("", channel.system)
    ]


def every_days(channel: Channel, sensor: Sensor, settings: Settings) -> float | None:
    """Return the days between two proofs; None: never due."""
    return settings.prove_days.get(channel.id, sensor.every_days) or None


def _proof(
    settings: Settings, channel: Channel, sensor: Sensor, last: LogEntry | None, now: Micros
) -> Json:
    every = every_days(channel, sensor, settings)
    due_at = None
    if every is not None and last is not None:
        due_at = last.time + round(every * DAY)
    never = last is None or last.subject != PASSED
    overdue = every is not None and (never or (due_at is not None and due_at <= now))
    return {
        "channel": channel.id,
        "title": channel.label,
        "sensor": sensor.name,
        "steps": list(sensor.steps),
        "within_s": seconds(sensor.within),
        "every_days": every,
        "last_at": None if last is None else to_rfc3339(last.time),
        "result": None if last is None else last.subject,
        "who": (last.who or None) if last is not None else None,
        "text": "" if last is None else last.text,
        "due_at": None if due_at is None else to_rfc3339(due_at),
        "overdue": overdue,
    }


def overdue(proofs: Iterable[Mapping[str, Any]]) -> list[str]:
    """Return the channels whose proof is due: never proved, failed, or too long ago."""
    return [str(proof["channel"]) for proof in proofs if proof["overdue"]]
