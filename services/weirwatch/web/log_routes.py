"""The home of the routes of the keeper's log: what is in it, and one more entry."""

import base64
from typing import Annotated, Any, Literal

from fastapi import APIRouter, Body, Path, Query, Request
from pydantic import Field
from starlette.concurrency import run_in_threadpool
from starlette.responses import Response

from weirwatch.domain.errors import TransientError
from weirwatch.domain.keeper_log import KINDS
from weirwatch.pipeline.log_queries import log_json
from weirwatch.pipeline.photos import MEDIA_TYPES, MOST_BYTES
from weirwatch.ports import LogKeeper
from weirwatch.web import log_schemas, problems
from weirwatch.web.context import Context, JsonAnswer, problem_responses
from weirwatch.web.guard import IDENTITY
from weirwatch.web.parameters import EventsQuery, Operator, operator_name

Kind = Literal[
    "test",
    "dose",
    "reactor",
    "water-change",
    "maintenance",
    "supply",
    "note",
    "calibration",
    "proof",
]
assert set(Kind.__args__) == set(KINDS)  # type: ignore[attr-defined] # noqa: S101 - one list, twice


class LogQuery(EventsQuery):
    """Which entries."""

    kind: Annotated[
        list[Kind],
        Field(default_factory=list, description="Only this kind; repeat it for several."),
    ]


Number = Annotated[int, Path(ge=1, le=2**53)]
_BINARY: dict[str, str] = {"type": "string", "format": "binary"}
_PICTURE: dict[str, Any] = {
    "requestBody": {
        "required": True,
        "description": f"At most {MOST_BYTES} bytes.",
        "content": {media_type: {"schema": _BINARY} for media_type in MEDIA_TYPES},
    }
}


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

    _photos(router, context, keeper)
    return router


def _photos(router: APIRouter, context: Context, keeper: LogKeeper | None) -> None:
    @router.post(
        "/log/{number}/photos",
        response_model=log_schemas.Photo,
        responses=problem_responses(
            problems.INVALID_REQUEST,
            problems.REFUSED_ENTRY,
            problems.TOO_LARGE,
            problems.NOT_A_PHOTO,
        ),
        openapi_extra=_PICTURE,
    )
    async def add_photo(number: Number, request: Request, operator: Operator = None) -> JsonAnswer:
        """Put a photo to an entry; the body is the picture itself, judged by its bytes."""
        if keeper is None:
            raise TransientError("nothing can be written into the log here")
        who = request.scope[IDENTITY].name or operator_name(operator)
        data = base64.b64encode(await request.body()).decode()
        asked = {"photo": {"entry": number, "data": data, "who": who}}
        return JsonAnswer((await run_in_threadpool(keeper.log, asked))["photo"])

    @router.get(
        "/log/photos/{number}",
        responses={
            200: {
                "description": "The picture.",
                "content": {t: {"schema": _BINARY} for t in MEDIA_TYPES},
            },
            **problem_responses(problems.INVALID_REQUEST, problems.NOT_FOUND),
        },
        response_class=Response,
    )
    def photo(number: Number) -> Response:
        """Return a photo as it was stored."""
        found = context.archive.photo(number)
        if found is None:
            return problems.problem(problems.NOT_FOUND, f"the log has no photo {number}")
        about, data = found
        # It never changes; and only whoever may read the log has it.
        kept = {
            "Cache-Control": "private, max-age=31536000, immutable",
            "ETag": f'"{about.sha256}"',
        }
        return Response(data, media_type=about.media_type, headers=kept)
