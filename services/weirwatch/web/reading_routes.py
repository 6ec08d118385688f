"""The home of the routes that only read: health, systems, channels, history, cards, notices."""

from collections.abc import Sequence
from typing import Annotated

from fastapi import APIRouter, Query, Request
from starlette.responses import Response

from weirwatch.pipeline import queries
from weirwatch.pipeline.shapes import Json, bucket_columns, bucket_rows
from weirwatch.web import problems, schemas
from weirwatch.web.context import Context, JsonAnswer, problem_responses
from weirwatch.web.formats import TABLE, table_answer
from weirwatch.web.parameters import (
    ChannelId,
    FailureId,
    NoticesQuery,
    ReadingsQuery,
    SeriesOfSeveralQuery,
    SeriesQuery,
)

MOST_WEIGHTED = 20_000_000  # readings for one answer: three channels at 5 s for a year

_ASKED = problem_responses(problems.INVALID_REQUEST)
_CHANNEL = _ASKED | TABLE | problem_responses(problems.UNKNOWN_CHANNEL, problems.NOT_ACCEPTABLE)


def state_router(context: Context) -> APIRouter:
    """Return the routes that say how things are now."""
    router = APIRouter(tags=["state"])

    @router.get("/alive", response_model=schemas.Alive)
    async def alive() -> JsonAnswer:
        """Tell that the web process answers; cheap, asks neither core nor file."""
        return JsonAnswer({"alive": True, "core": context.live.connected})

    @router.get("/health", response_model=schemas.Health)
    def health() -> JsonAnswer:
        """Tell how the core is: broker, counters, what was dropped and why."""
        return JsonAnswer(context.core.health())

    @router.get("/systems", response_model=schemas.Systems)
    def systems() -> JsonAnswer:
        """List the systems with their vessels, their nodes and how their alarms stand."""
        return JsonAnswer(queries.systems_json(context.archive, context.settings))

    @router.get("/failures", response_model=schemas.Failures)
    def failures() -> JsonAnswer:
        """List the failure catalogue with its safety cards."""
        return JsonAnswer(queries.failures_json(context.catalogue))

    @router.get(
        "/failures/{id:path}",
        response_model=schemas.Failure,
        responses=problem_responses(problems.UNKNOWN_FAILURE),
    )
    def failure(id: FailureId) -> JsonAnswer:
        """Show one failure with its safety card."""
        return JsonAnswer(queries.failure_of(context.catalogue, id))

    @router.get("/notices", response_model=schemas.Notices, responses=_ASKED)
    def notices(query: Annotated[NoticesQuery, Query()]) -> JsonAnswer:
        """List notices and how their delivery stands, oldest first."""
        return JsonAnswer(
            queries.notices_json(context.archive, cursor=query.cursor, limit=query.limit)
        )

    return router


def channel_router(context: Context) -> APIRouter:
    """Return the routes of channels and their history."""
    router = APIRouter(tags=["history"])

    @router.get("/channels", response_model=schemas.Channels)
    def channels() -> JsonAnswer:
        """List the channels with their newest value, its quality and its age."""
        now = context.clock.now().utc
        return JsonAnswer(queries.channels_json(context.archive, context.settings, now))

    @router.get("/channels/{id:path}/series", response_model=schemas.Series, responses=_CHANNEL)
    def series(request: Request, id: ChannelId, query: Annotated[SeriesQuery, Query()]) -> Response:
        """Show min, mean, max, count, first and last in buckets of equal width; gaps stay gaps.

        `mean` is the plain mean of the readings; `weighted` adds the one weighted by time.
        """
        found = _series(context, (id,), query)
        if isinstance(found, Response):
            return found
        columns = bucket_columns(weighted=query.weighted)
        return table_answer(request, query.format, queries.series_of_one(found), columns)

    @router.get("/series", response_model=schemas.SeriesOfSeveral, responses=_CHANNEL)
    def series_of_several(
        request: Request, query: Annotated[SeriesOfSeveralQuery, Query()]
    ) -> Response:
        """Show the series of several channels on the same edges of buckets."""
        found = _series(context, list(dict.fromkeys(query.channel)), query)
        if isinstance(found, Response):
            return found
        columns = ("channel", *bucket_columns(weighted=query.weighted), "unit")
        return table_answer(request, query.format, found, columns, bucket_rows(found))

    @router.get("/channels/{id:path}/readings", response_model=schemas.Readings, responses=_CHANNEL)
    def readings(
        request: Request, id: ChannelId, query: Annotated[ReadingsQuery, Query()]
    ) -> Response:
        """List readings as they were stored, in the order of their own times."""
        start, end = query.span(context.clock.now().utc)
        found = queries.readings_json(
            context.archive,
            context.settings,
            id,
            start,
            end,
            cursor=query.cursor,
            limit=query.limit,
        )
        return table_answer(request, query.format, found, ("time", "value", "quality", "reason"))

    return router


def _series(context: Context, channels: Sequence[str], query: SeriesQuery) -> Json | Response:
    """Return the channels' series, or the problem that too much would have to be read for them."""
    start, end = query.span(context.clock.now().utc)
    asked = (context.archive, context.settings, channels, start, end, query.points)
    found = queries.series_json(*asked)
    if not query.weighted:
        return found
    count = sum(bucket["count"] for bucket in bucket_rows(found))
    if count > MOST_WEIGHTED:
        detail = (
            f"weighted: {count} readings would have to be read, at most {MOST_WEIGHTED} are: ask"
            " for a shorter range or fewer channels, or leave it out"
        )
        return problems.problem(problems.INVALID_REQUEST, detail)
    return queries.series_json(*asked, weighted=True)
