"""Who is told of an event: recipients of each annunciation."""

from collections.abc import Iterable, Sequence

from weirwatch.domain.alarm import Event


def recipients_for(event: Event, recipients: Sequence[str]) -> Iterable[str]:
    """Return the ids of those who get a notice of this event: all, of every annunciation."""
    return recipients if event.annunciated else ()


def notice_id(event_seq: int, recipient: str) -> str:
    """Return the notice's stable id: the same over every retry and restart."""
    return f"{event_seq}-{recipient}"
