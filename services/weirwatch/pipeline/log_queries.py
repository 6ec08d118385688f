"""What API, page and command line ask of the keeper's log; each answer is plain JSON data."""

from collections.abc import Sequence

from weirwatch.domain.instant import Micros
from weirwatch.pipeline.log_entries import entry_json
from weirwatch.pipeline.queries import number_of
from weirwatch.pipeline.shapes import Json
from weirwatch.ports import Archive


def log_json(
    archive: Archive,
    start: Micros | None,
    end: Micros | None,
    kinds: Sequence[str] = (),
    *,
    cursor: str | None = None,
    limit: int = 100,
) -> Json:
    """Return entries in order of recording; the cursor is the `number` of the last one seen.

    Raises:
        ValueError: the cursor is none of ours.
    """
    after = 0 if cursor is None else number_of(cursor)
    more = archive.log(start, end, kinds, after, limit + 1)
    entries = more[:limit]
    following = str(entries[-1].number) if len(more) > limit else None
    return {"items": [entry_json(entry) for entry in entries], "next": following}
