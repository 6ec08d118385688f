"""The home of the routes of the water and probe reports."""

from typing import Annotated

from fastapi import APIRouter, Query
from pydantic import BaseModel, ConfigDict, Field

from weirwatch.domain.errors import UnknownSystem
from weirwatch.pipeline.probe_report import probe_report_json
from weirwatch.pipeline.upkeep import upkeep_json
from weirwatch.pipeline.water_report import DEFAULT_SPAN, water_report_json
from weirwatch.settings import Settings
from weirwatch.web import problems, water_schemas
from weirwatch.web.context import Context, JsonAnswer, problem_responses
from weirwatch.web.parameters import Left, Range

_YEARS = 3 * 366 * 86_400_000_000  # longest span that a report looks at


class WaterQuery(Range):
    """A span of time, `[from, to)`, at most three years; 30 days if left out."""

    system: Annotated[
        str | Left, Field(max_length=64, description="The first system if left out.")
    ] = None

    def bounds(self, now: int) -> tuple[int, int]:
        """Return start and end, defaults filled in."""
        end = now if self.to is None else min(self.to, now)
        start = end - DEFAULT_SPAN if self.from_ is None else self.from_
        return max(min(start, end), end - _YEARS), end


class UpkeepQuery(BaseModel):
    """Of which system."""

    model_config = ConfigDict(extra="forbid")

    system: Annotated[
        str | Left, Field(max_length=64, description="The first system if left out.")
    ] = None


def water_router(context: Context) -> APIRouter:
    """Return the routes."""
    router = APIRouter(prefix="/reports", tags=["reports"])
    asked = problem_responses(problems.INVALID_REQUEST, problems.UNKNOWN_SYSTEM)

    @router.get("/water", response_model=water_schemas.WaterReport, responses=asked)
    def water_report(query: Annotated[WaterQuery, Query()]) -> JsonAnswer:
        """Tell what the animals take up, which way it comes in, how the water swings and moves."""
        start, end = query.bounds(context.clock.now().utc)
        system = _system(context.settings, query.system)
        return JsonAnswer(water_report_json(context.archive, context.settings, system, start, end))

    @router.get("/probes", response_model=water_schemas.ProbeReport, responses=asked)
    def probe_report(query: Annotated[WaterQuery, Query()]) -> JsonAnswer:
        """Tell how far each probe can be believed, and which calibration is due."""
        start, end = query.bounds(context.clock.now().utc)
        system = _system(context.settings, query.system)
        return JsonAnswer(probe_report_json(context.archive, context.settings, system, start, end))

    @router.get("/upkeep", response_model=water_schemas.UpkeepReport, responses=asked)
    def upkeep_report(query: Annotated[UpkeepQuery, Query()]) -> JsonAnswer:
        """Tell which jobs and calibrations are due, and what runs out before more can be there."""
        system, now = _system(context.settings, query.system), context.clock.now().utc
        return JsonAnswer(upkeep_json(context.archive, context.settings, system, now))

    return router


def _system(settings: Settings, named: str | None) -> str:
    """Return the system that is named, else the first.

    Raises:
        UnknownSystem: it is not there: an empty report would look like a quiet one.
    """
    known = [system.id for system in settings.systems]
    if named is not None and named not in known:
        raise UnknownSystem(f"no system has the id {named!r}; there is {', '.join(known)}")
    return known[0] if named is None else named
