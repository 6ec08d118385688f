"""One proof test as it is guided: steps, the channel's reaction seen live, and its entry."""

import threading
from collections.abc import Callable, Mapping, Sequence
from typing import Any
from zoneinfo import ZoneInfo

import typer

from weirwatch.cli.desk import Desk
from weirwatch.cli.log_words import store_entries
from weirwatch.cli.words import console, plain_table, time_text, value_text
from weirwatch.clock import SystemClock
from weirwatch.domain.errors import ConfigError, UnknownChannel, WeirwatchError
from weirwatch.domain.instant import SECOND, Micros
from weirwatch.domain.proof import Sensor, reacted, returned
from weirwatch.domain.reading import Channel
from weirwatch.pipeline.proofs import FAILED, PASSED, proofs_json, proved
from weirwatch.pipeline.water_report import current_entries
from weirwatch.pipeline.work_desk import PROOF
from weirwatch.ports import Newest

Json = Mapping[str, Any]
_LOOK_S = 0.5
_FIRST_S = 60.0  # for the first good reading
RETURN_S = 600.0  # for what was proved to show again what it did; its planned work is longer


def all_proofs(desk: Desk) -> list[dict[str, Any]]:
    """Return every sensor that can be proved; before the first start none has been."""
    now = desk.now()
    try:
        entries = current_entries(desk.archive, "", now + 1)
    except ConfigError:  # no file yet
        entries = []
    return proofs_json(desk.settings, entries, now)


def print_proofs(proofs: Sequence[Json], zone: ZoneInfo) -> None:
    """Print them for people."""
    out = console()
    if not proofs:
        out.print("No channel has a sensor that can be proved.")
        return
    table = plain_table("Sensor", "Channel", "Last", "Result", "Due")
    for proof in proofs:
        last = time_text(proof["last_at"], zone) if proof["last_at"] else "never"
        due = time_text(proof["due_at"], zone) if proof["due_at"] else "–"
        shown = "OVERDUE" if proof["overdue"] else due
        table.add_row(proof["sensor"], proof["channel"], last, proof["result"] or "–", shown)
    out.print(table)
    count = sum(proof["overdue"] for proof in proofs)
    out.print(f"{count} of {len(proofs)} are due. Guided: weirwatch proof start CHANNEL")


def record(desk: Desk, channel: str, result: str, text: str, who: str) -> Json:
    """Put a proof on record and return its entry.

    Raises:
        UnknownChannel: its sensor cannot be proved.
        ConfigError: the result is neither passed nor failed.
    """
    find_sensor(desk, channel)
    if result not in (PASSED, FAILED):
        raise ConfigError(f"result {result!r}: write {PASSED} or {FAILED}")
    entry = {"kind": "proof", "channel": channel, "subject": result, "text": text, "who": who}
    stored: Json = store_entries(desk, {"entries": [entry]})["entries"][0]
    return stored


def find_sensor(desk: Desk, channel_id: str) -> tuple[Channel, Sensor]:
    """Return a channel and how its sensor is proved.

    Raises:
        UnknownChannel: there is none of that id, or no proof for its kind.
    """
    for channel, sensor in proved(desk.settings):
        if channel.id == channel_id:
            return channel, sensor
    raise UnknownChannel(f"no channel {channel_id!r} whose sensor can be proved: weirwatch proof")


class ProofRun:
    """Guides through one proof.

    Raises:
        UnknownChannel: its sensor cannot be proved.
    """

    def __init__(self, desk: Desk, channel: str, who: str, *, say: bool) -> None:
        self._desk = desk
        self._channel, self._sensor = find_sensor(desk, channel)
        self._who = who
        self._say: Callable[[str], None] = typer.echo if say else _nothing
        self._clock = SystemClock()

    def show_steps(self) -> None:
        """Print what is to be done, safety first."""
        self._say(f"Proof of {self._channel.label} ({self._sensor.name})")
        for number, step in enumerate(self._sensor.steps, 1):
            self._say(f"  {number}. {step}")
        self._say(f"Then, within {self._sensor.within // SECOND} s, its channel must change.")

    def run(self) -> tuple[Json, bool]:
        """Keep its alarms quiet, watch for the reaction and the return, put the result on record.

        Returns:
            The log's entry, and whether the channel shows again what it did before.

        Raises:
            TransientError: the service does not run.
            ConfigError: the channel has no good reading to begin with.
        """
        work = f"{PROOF}{self._channel.id}"
        self._desk.core.work({"name": "start", "work": work, "who": self._who, "comment": ""})
        try:
            before = self._newest_good(_FIRST_S, lambda _: True)
            if before is None:
                raise ConfigError(f"{self._channel.id}: no good reading within {_FIRST_S:g} s")
            self._say(f"It shows {self._text(before.value)} now. Do it.")
            began = self._clock.real_mono()
            after = self._newest_good(
                self._sensor.within / SECOND,
                lambda newest: reacted(self._channel, self._sensor, before.value, newest.value),
            )
            took_s = (self._clock.real_mono() - began) / SECOND
            result, text = self._judged(before, after, took_s)
            self._say(f"{result.upper()}: {text}")
            back = self._wait_for_return(before, after)
        finally:
            self._end(work)
        if not back:
            text += f"; then not back at {self._text(before.value)} within {RETURN_S:.0f} s"
        return record(self._desk, self._channel.id, result, text, self._who), back

    def _wait_for_return(self, before: Newest, after: Newest | None) -> bool:
        """Wait until everything is back as it was, its alarms still quiet."""
        was = self._text(before.value)
        self._say(f"Put everything back as it was; waiting for its channel to show {was} again.")
        if after is None:  # it never left
            return True
        back = self._newest_good(
            RETURN_S,
            lambda newest: returned(self._channel, self._sensor, before.value, newest.value),
        )
        self._say(
            f"NOT BACK: it still differs from {was}. Look what was left out of its place; its "
            "alarms ring again from now on."
            if back is None
            else f"It shows {self._text(back.value)} again."
        )
        return back is not None

    def _judged(self, before: Newest, after: Newest | None, took_s: float) -> tuple[str, str]:
        if after is None:
            within = self._sensor.within // SECOND
            return FAILED, f"no reaction within {within} s, it stayed at {self._text(before.value)}"
        change = f"{self._text(before.value)} to {self._text(after.value)}"
        return PASSED, f"{change} after {took_s:.0f} s"

    def _newest_good(self, within_s: float, wanted: Callable[[Newest], bool]) -> Newest | None:
        """Return the first reading from now on that is good and wanted, as it is stored."""
        pause = threading.Event()
        known = self._stored()
        seen: Micros = known.time if known is not None else 0
        ends = self._clock.real_mono() + round(within_s * SECOND)
        while self._clock.real_mono() < ends:
            newest = self._stored()
            if newest is not None and newest.time > seen:
                seen = newest.time
                if newest.quality.word == "good" and wanted(newest):
                    return newest
            pause.wait(_LOOK_S)
        return None

    def _stored(self) -> Newest | None:
        return self._desk.archive.newest().get(self._channel.id)

    def _end(self, work: str) -> None:
        try:
            self._desk.core.work({"name": "end", "work": work, "who": self._who, "comment": ""})
        except WeirwatchError as trouble:  # it ends by itself
            self._say(f"Its planned work could not be ended: {trouble}")

    def _text(self, value: float) -> str:
        states = self._channel.states if self._channel.is_switch else None
        return value_text(value, self._channel.unit, states)


def _nothing(_: str) -> None:
    """Say nothing."""
