"""The keeper's log: what was tested, dosed, changed, calibrated and noted by hand."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

from weirwatch.domain.instant import Micros

KINDS = (
    "test",
    "dose",
    "reactor",
    "water-change",
    "maintenance",
    "supply",
    "note",
    "calibration",
    "proof",
)


@dataclass(frozen=True, slots=True)
class Photo:
    """A photo that goes with an entry, without its bytes; never changed once stored.

    Attributes:
        entry: number of the entry.
        media_type: as its own bytes show it.
        size: in bytes.
        sha256: of its bytes, in hexadecimal digits.
        number: in order of recording; 0 before it is stored.
    """

    entry: int
    added_at: Micros
    media_type: str
    size: int
    sha256: str
    who: str = ""
    number: int = 0


@dataclass(frozen=True, slots=True)
class LogEntry:
    """One entry; never changed once stored. A correction is a new entry that replaces it.

    Attributes:
        number: in order of recording; 0 before it is stored.
        time: when it was done.
        recorded_at: when it was written down.
        kind: one of `KINDS`.
        system: id of the system.
        subject: quantity of a test, substance or quantity of a dose, id of a job or a supply,
            passed or failed of a proof; else empty.
        value, unit: in the unit that the log keeps for this subject; None and empty without.
        given: number and unit as they were written.
        channel: of a calibration or a proof; else empty.
        detail: what follows from the entry, by kind; see docs/log.md.
        text: in the keeper's own words.
        who: whoever wrote it.
        replaces: number of the entry that this one corrects, or None.
        replaced_by: number of the entry that corrects this one, or None.
        photos: that go with it, oldest first.
    """

    time: Micros
    recorded_at: Micros
    kind: str
    system: str
    subject: str = ""
    value: float | None = None
    unit: str = ""
    given: str = ""
    channel: str = ""
    detail: Mapping[str, Any] = field(default_factory=dict)
    text: str = ""
    who: str = ""
    replaces: int | None = None
    number: int = 0
    replaced_by: int | None = None
    photos: tuple[Photo, ...] = ()


@dataclass(frozen=True, slots=True)
class Correction:
    """What a calibration does to a channel: raw × gain + shift, from `start` on.

    `start` is never before the calibration was recorded, so that which correction a stored reading
    has had follows from its own time, and its raw value is (value - shift) / gain.
    """

    start: Micros
    gain: float
    shift: float

    def apply(self, raw: float) -> float:
        """Return the corrected value."""
        return raw * self.gain + self.shift

    def raw(self, value: float) -> float:
        """Return what the node had sent."""
        return (value - self.shift) / self.gain


def correction_at(corrections: tuple[Correction, ...], time: Micros) -> Correction | None:
    """Return the last correction that began at or before this time, or None."""
    for correction in reversed(corrections):
        if correction.start <= time:
            return correction
    return None
