"""The home of the routes of reports: how well the alarms serve."""

from typing import Annotated

from fastapi import APIRouter, Query
from pydantic import Field

from weirwatch.domain.instant import Micros
from weirwatch.pipeline.alarm_report import DEFAULT_SPAN, alarm_report_json
from weirwatch.web import problems, report_schemas
from weirwatch.web.context import Context, JsonAnswer, problem_responses
from weirwatch.web.parameters import EARLIEST, Left, Range, Time


class ReportQuery(Range):
    """A span of time, `[from, to)`."""

    from_: Annotated[
        Time | Left, Field(alias="from", description="30 days before `to` if left out.")
    ] = None

    def span(self, now: Micros) -> tuple[Micros, Micros]:
        """Return start and end, defaults filled in."""
        end = now if self.to is None else self.to
        return max(EARLIEST, end - DEFAULT_SPAN) if self.from_ is None else self.from_, end


def report_router(context: Context) -> APIRouter:
    """Return the routes of reports."""
    router = APIRouter(prefix="/reports", tags=["reports"])

    @router.get(
        "/alarms",
        response_model=report_schemas.AlarmReport,
        responses=problem_responses(problems.INVALID_REQUEST),
    )
    def alarm_report(query: Annotated[ReportQuery, Query()]) -> JsonAnswer:
        """Tell how well the alarms serve, beside the targets of ISA-18.2 and EEMUA 191."""
        now = context.clock.now().utc
        start, end = query.span(now)
        return JsonAnswer(alarm_report_json(context.archive, context.settings, start, end, now))

    return router
