"""The home of the routes of the keeper's log: what is in it, and one more entry."""

from typing import Annotated, Literal

from fastapi import APIRouter, Body, Query, Request
from pydantic import Field

from weirwatch.domain.errors import TransientError
from weirwatch.domain.keeper_log import KINDS
from weirwatch.pipeline.log_queries import log_json
from weirwatch.ports import LogKeeper
from weirwatch.web import log_schemas, problems
from weirwatch.web.context import Context, JsonAnswer, problem_responses
from weirwatch.web.guard import IDENTITY
from weirwatch.web.parameters import EventsQuery, Operator, operator_name

Kind = Literal[
    "test", "dose", "reactor", "water-change", "maintenance", "supply", "note", "calibration"
]
assert set(Kind.__args__) == set(KINDS)  # type: ignore[attr-defined] # noqa: S101 - one list, twice


class LogQuery(EventsQuery):
    """Which entries."""

    kind: Annotated[
        list[Kind],
        Field(default_factory=list, description="Only this kind; repeat it for several."),
    ]


def log_router(context: Context, keeper: LogKeeper | None) -> APIRouter:
    """Return the routes of the log; without a keeper nothing can be written."""
    router = APIRouter(tags=["log"])

    @router.get(
        "/log",
        response_model=log_schemas.LogEntries,
        responses=problem_responses(problems.INVALID_REQUEST),
    )
    def log(query: Annotated[LogQuery, Query()]) -> JsonAnswer:
        """List the keeper's log in the order in which it was written."""
        return JsonAnswer(
            log_json(
                context.archive,
                query.from_,
                query.to,
                query.kind,
                cursor=query.cursor,
                limit=query.limit,
            )
        )

    @router.post(
        "/log",
        response_model=log_schemas.LogEntry,
        responses=problem_responses(
            problems.INVALID_REQUEST,
            problems.REFUSED_ENTRY,
            problems.TOO_LARGE,
            problems.NOT_JSON,
        ),
    )
    def add(
        request: Request,
        body: Annotated[log_schemas.LogBody, Body()],
        operator: Operator = None,
    ) -> JsonAnswer:
        """Write one entry; what nobody would believe is refused unless `sure` is true."""
        if keeper is None:
            raise TransientError("nothing can be written into the log here")
        given = body.model_dump(exclude_none=True)
        # Whoever has a token writes in its name, whatever the body claims.
        signed = request.scope[IDENTITY].name
        entry = {**given, "who": signed or body.who or operator_name(operator)}
        return JsonAnswer(keeper.log({"entries": [entry]})["entries"][0])

    return router
