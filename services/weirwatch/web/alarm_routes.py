"""The home of the routes of alarms: how they stand, and an operator's commands."""

from typing import Annotated, NamedTuple

from fastapi import APIRouter, Body, Query, Request
from starlette.exceptions import HTTPException

from weirwatch.domain.errors import UnknownRule
from weirwatch.domain.operator import COMMANDS
from weirwatch.pipeline import queries
from weirwatch.ports import Command
from weirwatch.web import command_schemas, problems, schemas
from weirwatch.web.context import Context, JsonAnswer, problem_responses
from weirwatch.web.guard import IDENTITY
from weirwatch.web.parameters import AlarmsQuery, Operator, RuleId, operator_name, tidy

_PATH = "/alarms/{id:path}/"
_COMMAND = problem_responses(
    problems.INVALID_REQUEST,
    problems.UNKNOWN_RULE,
    problems.ILLEGAL_COMMAND,
    problems.TOO_LARGE,
    problems.NOT_JSON,
)


def alarm_router(context: Context) -> APIRouter:
    """Return the routes of alarms."""
    router = APIRouter(tags=["alarms"])

    @router.get(
        "/alarms",
        response_model=schemas.Alarms,
        responses=problem_responses(problems.INVALID_REQUEST),
    )
    def alarms(query: Annotated[AlarmsQuery, Query()]) -> JsonAnswer:
        """List the alarm of every rule, the most urgent first."""
        return JsonAnswer(
            queries.alarms_json(context.archive, context.settings, context.catalogue, query.state)
        )

    @router.get(
        "/alarms/{id:path}",
        response_model=schemas.Alarm,
        responses=problem_responses(problems.UNKNOWN_RULE),
    )
    def alarm(id: RuleId) -> JsonAnswer:
        """Show one alarm with its safety card."""
        try:
            found = queries.alarm_of(context.archive, context.settings, context.catalogue, id)
        except UnknownRule:
            if id.rpartition("/")[2] in COMMANDS:  # the address of a command, read by mistake
                raise HTTPException(405, headers={"Allow": "POST"}) from None
            raise
        return JsonAnswer(found)

    _add_attendance(router, context)
    _add_service(router, context)
    return router


def _add_attendance(router: APIRouter, context: Context) -> None:
    """Add the commands of somebody who attends to an alarm."""

    @router.post(_PATH + "acknowledge", response_model=schemas.Alarm, responses=_COMMAND)
    def acknowledge(
        id: RuleId,
        request: Request,
        operator: Operator = None,
        body: Annotated[command_schemas.AcknowledgeBody | None, Body()] = None,
    ) -> JsonAnswer:
        """Tell that somebody has seen it, or with a check-in time: is on the way."""
        return _carry_out(context, request, Asked("acknowledge", id, operator, body))

    @router.post(_PATH + "check-in", response_model=schemas.Alarm, responses=_COMMAND)
    def check_in(
        id: RuleId,
        request: Request,
        operator: Operator = None,
        body: Annotated[command_schemas.AcknowledgeBody | None, Body()] = None,
    ) -> JsonAnswer:
        """Report of an acknowledged alarm; with a check-in time: to be heard of again by then."""
        return _carry_out(context, request, Asked("check-in", id, operator, body))

    @router.post(_PATH + "shelve", response_model=schemas.Alarm, responses=_COMMAND)
    def shelve(
        id: RuleId,
        request: Request,
        operator: Operator = None,
        body: Annotated[command_schemas.ShelveBody | None, Body()] = None,
    ) -> JsonAnswer:
        """Keep it silent for some minutes, or until it has returned."""
        return _carry_out(context, request, Asked("shelve", id, operator, body))

    @router.post(_PATH + "unshelve", response_model=schemas.Alarm, responses=_COMMAND)
    def unshelve(
        id: RuleId,
        request: Request,
        operator: Operator = None,
        body: Annotated[command_schemas.CommandBody | None, Body()] = None,
    ) -> JsonAnswer:
        """End the shelving; what stands then is announced."""
        return _carry_out(context, request, Asked("unshelve", id, operator, body))

    @router.post(_PATH + "reset", response_model=schemas.Alarm, responses=_COMMAND)
    def reset(
        id: RuleId,
        request: Request,
        operator: Operator = None,
        body: Annotated[command_schemas.CommandBody | None, Body()] = None,
    ) -> JsonAnswer:
        """Unlatch an acknowledged alarm whose condition has gone."""
        return _carry_out(context, request, Asked("reset", id, operator, body))


def _add_service(router: APIRouter, context: Context) -> None:
    """Add the commands of somebody who works on a probe or on what it watches."""

    @router.post(_PATH + "remove-from-service", response_model=schemas.Alarm, responses=_COMMAND)
    def remove_from_service(
        id: RuleId,
        request: Request,
        operator: Operator = None,
        body: Annotated[command_schemas.RemoveBody | None, Body()] = None,
    ) -> JsonAnswer:
        """Take it out of service; the comment says why."""
        return _carry_out(context, request, Asked("remove-from-service", id, operator, body))

    @router.post(_PATH + "return-to-service", response_model=schemas.Alarm, responses=_COMMAND)
    def return_to_service(
        id: RuleId,
        request: Request,
        operator: Operator = None,
        body: Annotated[command_schemas.CommandBody | None, Body()] = None,
    ) -> JsonAnswer:
        """Put it back into service; what stands then is announced."""
        return _carry_out(context, request, Asked("return-to-service", id, operator, body))


class Asked(NamedTuple):
    """A command as it came."""

    name: str
    rule: str
    operator: str | None
    body: command_schemas.AnyBody | None


def _carry_out(context: Context, request: Request, asked: Asked) -> JsonAnswer:
    said = asked.body or command_schemas.CommandBody()
    command = Command(
        asked.name,
        asked.rule,
        operator_name(asked.operator),
        tidy(said.comment),
        said.minutes,
        said.check_in_minutes,
        request.scope[IDENTITY].remote,
    )
    return JsonAnswer(context.core.command(command))
