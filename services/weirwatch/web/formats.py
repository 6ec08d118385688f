"""The home of tables in other formats: CSV (RFC 4180), JSON Lines, Parquet."""

import csv
import io
from collections.abc import Callable, Iterable, Mapping, Sequence
from typing import Any

import msgspec
from starlette.requests import Request
from starlette.responses import Response

from weirwatch.pipeline.parquet import MISSING, have_parquet, parquet_bytes
from weirwatch.web import problems
from weirwatch.web.context import JsonAnswer
from weirwatch.web.tables import Format

Row = Mapping[str, Any]


MEDIA: Mapping[Format, str] = {
    Format.CSV: "text/csv",
    Format.JSONL: "application/jsonl",
    Format.PARQUET: "application/vnd.apache.parquet",
}
TABLE: dict[int | str, dict[str, Any]] = {
    200: {"content": {media: {"schema": {"type": "string"}} for media in MEDIA.values()}}
}


def table_answer(
    request: Request,
    asked: Format | None,
    document: Mapping[str, Any],
    columns: Sequence[str],
    rows: Iterable[Row] | None = None,
) -> Response:
    """Return a page of a series or of readings as the query, else the header Accept, asks for.

    `rows` are what stands in a table; None: the document's items.

    The cursor of the next page stands in the header Link (RFC 8288) where the format has no place
    for it.
    """
    chosen = asked or _accepted(request.headers.get("accept", ""))
    if chosen is Format.JSON:
        return JsonAnswer(document)
    if chosen is Format.PARQUET and not have_parquet():
        return problems.problem(problems.NOT_ACCEPTABLE, MISSING)
    headers = {}
    if document["next"]:
        following = request.url.include_query_params(cursor=document["next"])
        headers["Link"] = f'<{following.path}?{following.query}>; rel="next"'
    body = _WRITERS[chosen](document["items"] if rows is None else list(rows), columns)
    return Response(body, headers=headers, media_type=MEDIA[chosen])


def _accepted(accept: str) -> Format:
    """Return the format that is named first; JSON when none of ours is."""
    others = {media: form for form, media in MEDIA.items()} | {
        "application/x-ndjson": Format.JSONL,
        "application/json": Format.JSON,
    }
    for part in accept.split(","):
        media = part.partition(";")[0].strip().lower()
        if media in others:
            return others[media]
    return Format.JSON


def _as_csv(rows: Sequence[Row], columns: Sequence[str]) -> bytes:
    text = io.StringIO(newline="")
    writer = csv.writer(text)
    writer.writerow(columns)
    writer.writerows([row[name] for name in columns] for row in rows)
    return text.getvalue().encode()


def _as_jsonl(rows: Sequence[Row], columns: Sequence[str]) -> bytes:
    lines = [msgspec.json.encode({name: row[name] for name in columns}) for row in rows]
    return b"".join(line + b"\n" for line in lines)


_WRITERS: Mapping[Format, Callable[[Sequence[Row], Sequence[str]], bytes]] = {
    Format.CSV: _as_csv,
    Format.JSONL: _as_jsonl,
    Format.PARQUET: parquet_bytes,
}
