"""The home of the routes of access rights: tokens as they stand, and who did what from where.

Tokens are made and revoked on the command line only: no secret ever goes over this interface, and
no token makes another.
"""

from typing import Annotated

from fastapi import APIRouter, Query

from weirwatch.pipeline import access as rights
from weirwatch.ports import Clock
from weirwatch.web import problems, schemas
from weirwatch.web.access import Access
from weirwatch.web.context import JsonAnswer, problem_responses
from weirwatch.web.parameters import AuditQuery


def access_router(access: Access, clock: Clock) -> APIRouter:
    """Return the routes of access rights; the guard lets administrators in only."""
    router = APIRouter(tags=["access"])

    @router.get("/tokens", response_model=schemas.Tokens)
    def tokens() -> JsonAnswer:
        """List all tokens ever made, without their secrets."""
        now = clock.now().utc
        items = [rights.token_json(token, now) for token in access.book.tokens()]
        return JsonAnswer({"items": items, "next": None})

    @router.get(
        "/audit",
        response_model=schemas.Deeds,
        responses=problem_responses(problems.INVALID_REQUEST),
    )
    def audit(query: Annotated[AuditQuery, Query()]) -> JsonAnswer:
        """List who did what from where, the newest first."""
        before = None if query.cursor is None else int(query.cursor)
        more = access.book.deeds(before, query.limit + 1)
        deeds = more[: query.limit]
        following = str(deeds[-1][0]) if len(more) > query.limit else None
        items = [rights.deed_json(number, deed) for number, deed in deeds]
        return JsonAnswer({"items": items, "next": following})

    return router
