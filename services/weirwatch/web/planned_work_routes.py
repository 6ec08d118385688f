"""The home of the routes of planned work: what there is, start, end."""

from typing import Annotated, Any

from fastapi import APIRouter, Body, Path, Request

from weirwatch.web import planned_work_schemas, problems
from weirwatch.web.context import Context, JsonAnswer, problem_responses
from weirwatch.web.guard import IDENTITY
from weirwatch.web.parameters import Operator, operator_name, tidy

WorkId = Annotated[str, Path(examples=["feeding-pause"], max_length=200)]
_ASKED = problem_responses(
    problems.INVALID_REQUEST,
    problems.UNKNOWN_WORK,
    problems.ILLEGAL_COMMAND,
    problems.TOO_LARGE,
    problems.NOT_JSON,
)


def planned_work_router(context: Context) -> APIRouter:
    """Return the routes of planned work."""
    router = APIRouter(tags=["planned work"])

    @router.get("/planned-work", response_model=planned_work_schemas.PlannedWorks)
    def planned_work() -> JsonAnswer:
        """List the planned work that is configured, and how each stands."""
        return JsonAnswer({**context.core.work({"name": "list"}), "next": None})

    @router.post("/planned-work", response_model=planned_work_schemas.PlannedWork, responses=_ASKED)
    def start_planned_work(
        request: Request, body: planned_work_schemas.StartBody, operator: Operator = None
    ) -> JsonAnswer:
        """Start one: its alarms are shelved together; bold failures never."""
        asked = {"name": "start", "work": body.id, "minutes": body.minutes}
        return _ask(context, request, asked, operator, body.comment)

    @router.post(
        "/planned-work/{id:path}/end",
        response_model=planned_work_schemas.PlannedWork,
        responses=_ASKED,
    )
    def end_planned_work(
        id: WorkId,
        request: Request,
        operator: Operator = None,
        body: Annotated[planned_work_schemas.EndBody | None, Body()] = None,
    ) -> JsonAnswer:
        """End one now; when it has settled, its checks say whether all is back to normal."""
        said = body or planned_work_schemas.EndBody()
        return _ask(context, request, {"name": "end", "work": id}, operator, said.comment)

    return router


def _ask(
    context: Context, request: Request, asked: dict[str, Any], operator: str | None, comment: str
) -> JsonAnswer:
    said = {
        "who": operator_name(operator),
        "comment": tidy(comment),
        "remote": request.scope[IDENTITY].remote,
    }
    return JsonAnswer(context.core.work(asked | said))
