"""What a foreign node's message means for one channel: pointer, words, scale, unit, time."""

from collections.abc import Mapping
from typing import Any

from jsonpointer import JsonPointer, JsonPointerException

from weirwatch.domain.errors import BadPayload, ConfigError
from weirwatch.domain.instant import Micros
from weirwatch.domain.quantity import converter
from weirwatch.domain.reading import Channel
from weirwatch.ingest.node_topics import checked, own_time
from weirwatch.ingest.outcome import Outcome
from weirwatch.ingest.payload import load_json, load_text
from weirwatch.settings import TapSettings

# Only what cannot be misread: "open" is flow for a valve and no contact for a float.
DEFAULT_WORDS: Mapping[str, float] = {
    "on": 1.0, "true": 1.0, "1": 1.0, "wet": 1.0,
    "off": 0.0, "false": 0.0, "0": 0.0, "dry": 0.0,
}  # fmt: skip


class _NoValue(Exception):  # noqa: N818 - carries a trouble; never leaves this file
    def __init__(self, code: str, reason: str) -> None:
        super().__init__(reason)
        self.code = code


class Tap:
    """One `[[tap]]`, compiled.

    Raises:
        ConfigError: a pointer is not RFC 6901, or the unit does not fit the channel.
    """

    def __init__(self, settings: TapSettings, channel: Channel) -> None:
        self._topic = settings.topic
        self._channel = channel
        self._pointer = _compiled(settings, settings.pointer)
        self._time_pointer = _compiled(settings, settings.time_pointer)
        words = settings.words or (DEFAULT_WORDS if channel.is_switch else {})
        self._words = {word.lower(): value for word, value in words.items()}
        try:
            scale, offset = converter(settings.unit or channel.unit, channel.unit)
        except ValueError as error:
            raise ConfigError(f"tap {settings.topic!r}: {error}") from None
        self._scale = settings.scale * scale
        self._offset = settings.offset * scale + offset

    def take(self, outcome: Outcome) -> None:
        """Decode the message into a reading or a trouble."""
        try:
            raw, time = self._parts(outcome)
            number = self._number(raw)
        except _NoValue as error:
            outcome.trouble(error.code, f"tap for {self._channel.id}: {error}")
            return
        value = checked(self._channel, number * self._scale + self._offset, outcome)
        if value is not None:
            outcome.add(self._channel.id, time, value)

    def _parts(self, outcome: Outcome) -> tuple[Any, Micros]:
        message = outcome.message
        try:
            if self._pointer is None and self._time_pointer is None:
                return load_text(message.payload), message.received
            document = load_json(message.payload)
        except BadPayload as error:
            raise _NoValue("not-json", f"{error}") from None
        raw = document if self._pointer is None else _found(self._pointer, document)
        if self._time_pointer is None:
            return raw, message.received
        try:
            return raw, own_time(_found(self._time_pointer, document))
        except ValueError as error:
            raise _NoValue("bad-time", f"{error}") from None

    def _number(self, raw: object) -> float:
        word = _word(raw)
        if word in self._words:
            return self._words[word]
        if self._channel.is_switch:
            raise _NoValue(
                "unknown-word",
                f"{word[:40]!r} is none of {', '.join(self._words)}: add it to the tap's words",
            )
        return _as_float(raw, word)


def _compiled(settings: TapSettings, pointer: str | None) -> JsonPointer | None:
    if pointer is None:
        return None
    try:
        return JsonPointer(pointer)
    except JsonPointerException as error:
        raise ConfigError(
            f"tap {settings.topic!r}: pointer {pointer!r} is not a JSON Pointer ({error}):"
            " write it as /sensor/0/value"
        ) from None


def _found(pointer: JsonPointer, document: object) -> Any:
    try:
        return pointer.resolve(document)
    except (JsonPointerException, TypeError) as error:
        raise _NoValue(
            "pointer-missing", f"nothing at {pointer.path or 'the whole document'!r} ({error})"
        ) from None


def _word(raw: object) -> str:
    """Return a JSON scalar or a text as the word to look up: `true`, `1` and `on`."""
    if isinstance(raw, float) and raw.is_integer() and abs(raw) < 1e15:
        raw = int(raw)
    return (raw if isinstance(raw, str) else repr(raw)).strip().lower()


def _as_float(raw: object, word: str) -> float:
    number = isinstance(raw, int | float) and not isinstance(raw, bool)
    if not number and not (isinstance(raw, str) and "_" not in raw):
        raise _NoValue("not-a-number", f"{word[:40]!r} is not a number")
    try:
        return float(word if isinstance(raw, str) else raw)  # type: ignore[arg-type]
    except (ValueError, OverflowError):
        raise _NoValue(
            "not-a-number", f"{word[:40]!r} is not a number, as 25.3: no unit, no comma"
        ) from None
