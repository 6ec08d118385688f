"""The home of the web application: routes, errors, guard and the connection to the core."""

import re
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager
from importlib.metadata import version
from typing import Any

from fastapi import FastAPI
from starlette.requests import Request
from starlette.routing import Route
from starlette.types import Receive, Scope, Send

from weirwatch.domain.failures import Catalogue
from weirwatch.ports import Archive, Clock, Core, LogKeeper
from weirwatch.settings import Settings
from weirwatch.web import asyncapi, openapi, problems
from weirwatch.web.access import Access
from weirwatch.web.access_routes import access_router
from weirwatch.web.alarm_routes import alarm_router
from weirwatch.web.compact import Compact
from weirwatch.web.context import Context, JsonAnswer
from weirwatch.web.event_routes import HEARTBEAT_S, event_router
from weirwatch.web.explanation_routes import explanation_router
from weirwatch.web.guard import Guard
from weirwatch.web.live import Live
from weirwatch.web.lockout import RateLimit
from weirwatch.web.log_routes import log_router
from weirwatch.web.metrics import metrics_route
from weirwatch.web.planned_work_routes import planned_work_router
from weirwatch.web.proof_routes import proof_router
from weirwatch.web.reading_routes import channel_router, state_router
from weirwatch.web.report_routes import report_router
from weirwatch.web.sign_in import sign_in_routes
from weirwatch.web.sta_routes import sta_routes
from weirwatch.web.water_routes import water_router

PREFIX = "/api/v1"


def create_app(
    settings: Settings,
    archive: Archive,
    core: Core,
    catalogue: Catalogue,
    clock: Clock,
    *,
    on_core_lost: Callable[[], None] | None = None,
    heartbeat_s: float = HEARTBEAT_S,
    access: Access | None = None,
    limit: RateLimit | None = None,
    log_keeper: LogKeeper | None = None,
) -> FastAPI:
    """Return the application; `app.state.live` is its connection to the core.

    Nothing runs before the server starts it. `on_core_lost` is called once, on another thread,
    when the core has gone; without it the connection is tried again for ever. Without `access`
    nobody can have a token, and this machine alone is served. Without `log_keeper` nothing can be
    written into the log.
    """
    live = Live(core, clock, on_core_lost)

    @asynccontextmanager
    async def lifespan(_: FastAPI) -> AsyncIterator[None]:
        live.start()
        try:
            yield
        finally:
            live.close()

    app = FastAPI(
        title="Weirwatch",
        summary="Telemetry and alarms of a large living salt-water system.",
        description="Times are RFC 3339 in UTC. Every error is a problem of RFC 9457.",
        version=version("weirwatch"),
        openapi_url=f"{PREFIX}/openapi.json",
        docs_url=None,  # would load its scripts from elsewhere
        redoc_url=None,
        redirect_slashes=False,
        generate_unique_id_function=lambda route: route.name,
        lifespan=lifespan,
    )
    app.state.live = live
    context = Context(settings, archive, core, catalogue, clock, live)
    for router in (
        state_router(context),
        channel_router(context),
        event_router(context, heartbeat_s),
        explanation_router(context),  # before alarms/{id}, whose ids have slashes
        alarm_router(context),
        report_router(context),
        log_router(context, log_keeper),
        water_router(context),
        planned_work_router(context),
        proof_router(context, log_keeper),
    ):
        app.include_router(router, prefix=PREFIX)
    app.router.routes.extend([metrics_route(context), *sta_routes(context)])
    app.router.routes.append(_wire_document(settings.broker.root))
    if access is not None:
        app.include_router(access_router(access, clock), prefix=PREFIX)
        app.router.routes.extend(sign_in_routes(access))
    _describe_once(app)
    app.router.routes.append(Route("/api/{rest:path}", _Rest(app.openapi)))
    problems.install(app)
    app.add_middleware(Compact)
    app.add_middleware(Guard, clock=clock, access=access, limit=limit)
    return app


def _wire_document(root: str) -> Route:
    """Return the route that describes the wire, as openapi.json does this interface."""

    async def wire(request: Request) -> JsonAnswer:
        del request
        return JsonAnswer(asyncapi.document(root))

    return Route(f"{PREFIX}/asyncapi.json", wire, methods=["GET"], name="wire")


class _Rest:
    """Answers what no route of the API takes, so that a page mounted at `/` never does."""

    def __init__(self, describe: Callable[[], dict[str, Any]]) -> None:
        self._describe = describe

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        path = scope["path"]
        matching = {
            template: operations
            for template, operations in self._describe()["paths"].items()
            if re.fullmatch(re.sub(r"\\{.*?\\}", ".+", re.escape(template)), path)
        }
        # The longest says most: alarms/{id}/reset is an alarms/{id} as well, ids have slashes.
        closest = matching[max(matching, key=len)] if matching else ()
        allowed = sorted(method.upper() for method in closest)
        if allowed and scope["method"] not in allowed:
            answer = problems.problem(
                problems.METHOD_NOT_ALLOWED,
                f"{scope['method']} is not for {path}",
                headers={"Allow": ", ".join(allowed)},
            )
        else:
            answer = problems.problem(
                problems.NOT_FOUND, f"nothing at {path}; see {PREFIX}/openapi.json"
            )
        await answer(scope, receive, send)


def _describe_once(app: FastAPI) -> None:
    def describe() -> dict[str, Any]:
        if app.openapi_schema is None:
            app.openapi_schema = openapi.document(app)
        return app.openapi_schema

    app.openapi = describe  # type: ignore[method-assign]
