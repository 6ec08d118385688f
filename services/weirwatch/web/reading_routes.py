"""The home of the routes that only read: health, systems, channels, history, cards, notices."""

from typing import Annotated

from fastapi import APIRouter, Query, Request
from starlette.responses import Response

from weirwatch.pipeline import queries
from weirwatch.web import problems, schemas
from weirwatch.web.context import Context, JsonAnswer, problem_responses
from weirwatch.web.formats import TABLE, table_answer
from weirwatch.web.parameters import (
    ChannelId,
    FailureId,
    NoticesQuery,
    ReadingsQuery,
    SeriesQuery,
)

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
        """Show min, mean, max and count in buckets of equal width; gaps stay gaps."""
        start, end = query.span(context.clock.now().utc)
        found = queries.series_json(context.archive, context.settings, id, start, end, query.points)
        columns = ("start", "end", "min", "mean", "max", "count")
        return table_answer(request, query.format, found, columns)

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
