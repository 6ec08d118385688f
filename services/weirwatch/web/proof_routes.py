"""The home of the routes of proof tests: which sensors, when last, when due; one more result."""

from typing import Annotated, Literal

from fastapi import APIRouter, Body, Request
from pydantic import BaseModel, ConfigDict, Field

from weirwatch.domain.errors import TransientError
from weirwatch.pipeline.proofs import proofs_json
from weirwatch.pipeline.water_report import current_entries
from weirwatch.ports import LogKeeper
from weirwatch.web import log_schemas, problems, water_schemas
from weirwatch.web.context import Context, JsonAnswer, problem_responses
from weirwatch.web.guard import IDENTITY
from weirwatch.web.parameters import Operator, operator_name


class ProofBody(BaseModel):
    """What came of a proof."""

    model_config = ConfigDict(extra="forbid")

    channel: Annotated[str, Field(max_length=200, examples=["harbour-hall/power-node/floor-dry"])]
    result: Literal["passed", "failed"]
    comment: Annotated[str, Field(max_length=4000)] = ""


def proof_router(context: Context, keeper: LogKeeper | None) -> APIRouter:
    """Return the routes; without a keeper nothing can be written."""
    router = APIRouter(prefix="/proofs", tags=["log"])

    @router.get("", response_model=water_schemas.Proofs)
    def proofs() -> JsonAnswer:
        """List the sensors that can be proved, their last proof, and which is due."""
        now = context.clock.now().utc
        entries = current_entries(context.archive, "", now + 1)
        return JsonAnswer({"items": proofs_json(context.settings, entries, now), "next": None})

    @router.post(
        "",
        response_model=log_schemas.LogEntry,
        responses=problem_responses(
            problems.INVALID_REQUEST,
            problems.REFUSED_ENTRY,
            problems.TOO_LARGE,
            problems.NOT_JSON,
        ),
    )
    def record_proof(
        request: Request, body: Annotated[ProofBody, Body()], operator: Operator = None
    ) -> JsonAnswer:
        """Put a proof on record, as an entry of the log."""
        if keeper is None:
            raise TransientError("nothing can be written into the log here")
        entry = {
            "kind": "proof",
            "channel": body.channel,
            "subject": body.result,
            "text": body.comment,
            # Whoever has a token writes in its name.
            "who": request.scope[IDENTITY].name or operator_name(operator),
        }
        return JsonAnswer(keeper.log({"entries": [entry]})["entries"][0])

    return router
