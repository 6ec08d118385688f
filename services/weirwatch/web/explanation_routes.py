"""The home of the route that says why an alarm is in its state."""

from fastapi import APIRouter

from weirwatch.pipeline.explain import with_record
from weirwatch.web import explanation_schemas, problems
from weirwatch.web.context import Context, JsonAnswer, problem_responses
from weirwatch.web.parameters import RuleId


def explanation_router(context: Context) -> APIRouter:
    """Return the route of explanations."""
    router = APIRouter(tags=["alarms"])

    @router.get(
        "/alarms/{id:path}/explanation",
        response_model=explanation_schemas.Explanation,
        responses=problem_responses(problems.UNKNOWN_RULE),
    )
    def explanation(id: RuleId) -> JsonAnswer:
        """Say why an alarm is in its state: readings, limit, delay, suppression, service."""
        return JsonAnswer(with_record(context.core.explain(id), context.archive))

    return router
