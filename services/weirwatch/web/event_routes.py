"""The home of the routes of events: pages of the record, and the live stream (SSE)."""

from collections.abc import AsyncIterator
from typing import Annotated, Any

import msgspec
from fastapi import APIRouter, Query
from starlette.concurrency import run_in_threadpool
from starlette.responses import Response, StreamingResponse

from weirwatch.pipeline import queries
from weirwatch.pipeline.shapes import event_json
from weirwatch.ports import StoredEvent
from weirwatch.web import problems, schemas
from weirwatch.web.context import Context, JsonAnswer, problem_responses
from weirwatch.web.parameters import EventsQuery, LastEventId, StreamQuery

MOST_STREAMS = 100
HEARTBEAT_S = 15.0
_PAGE = 100
_STREAM_HEADERS = {"Cache-Control": "no-store", "X-Accel-Buffering": "no"}
_STREAM: dict[int | str, dict[str, Any]] = {
    200: {
        "description": "Server-sent events: `id` is the event's seq, `data` the event.",
        "content": {"text/event-stream": {"schema": {"type": "string"}}},
    },
    **problem_responses(problems.INVALID_REQUEST, problems.TOO_MANY_STREAMS),
}


def event_router(context: Context, heartbeat_s: float = HEARTBEAT_S) -> APIRouter:
    """Return the routes of events."""
    router = APIRouter(tags=["events"])
    streams: set[object] = set()

    @router.get(
        "/events",
        response_model=schemas.Events,
        responses=problem_responses(problems.INVALID_REQUEST),
    )
    def events(query: Annotated[EventsQuery, Query()]) -> JsonAnswer:
        """List events in commit order; `cursor` is the `seq` of the last one you have."""
        return JsonAnswer(
            queries.events_json(
                context.archive, query.from_, query.to, cursor=query.cursor, limit=query.limit
            )
        )

    @router.get(
        "/events/stream",
        response_class=Response,
        responses=_STREAM,
    )
    async def stream(
        query: Annotated[StreamQuery, Query()], last_event_id: LastEventId = None
    ) -> Response:
        """Stream events as they are committed, from the last one seen (or from now) on."""
        if len(streams) >= MOST_STREAMS:
            detail = f"{MOST_STREAMS} event streams are open; close one, or read /events"
            return problems.problem(problems.TOO_MANY_STREAMS, detail)
        last = await run_in_threadpool(context.archive.last_seq)
        seen = last_event_id or query.cursor
        # Beyond the end only after the record was replaced by an older one: go on from its end.
        after = last if seen is None else min(int(seen), last)
        return StreamingResponse(
            _counted(streams, _stream(context, after, heartbeat_s)),
            media_type="text/event-stream",
            headers=_STREAM_HEADERS,
        )

    return router


async def _counted(streams: set[object], lines: AsyncIterator[bytes]) -> AsyncIterator[bytes]:
    me = object()
    streams.add(me)
    try:
        async for line in lines:
            yield line
    finally:
        streams.discard(me)


async def _stream(context: Context, after: int, heartbeat_s: float) -> AsyncIterator[bytes]:
    """Yield what the record says from `after` on.

    It reads the record whenever there is news, one page at a time as fast as the reader takes it:
    a slow reader costs its own connection only, and still gets everything in order.
    """
    yield b"retry: 2000\n\n"
    while not context.live.ending:
        version = context.live.version
        page = await run_in_threadpool(context.archive.events, None, None, after, _PAGE)
        for stored in page:
            yield _lines(stored)
            after = stored.seq
        if not page and not await context.live.changed(version, heartbeat_s):
            yield b": still here\n\n"


def _lines(stored: StoredEvent) -> bytes:
    data = msgspec.json.encode(event_json(stored))
    return b"id: %d\ndata: %s\n\n" % (stored.seq, data)
