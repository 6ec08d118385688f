"""Home of the page's place in the web process: route, style sheet, script, start and stop."""

from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from html import escape
from importlib.resources import files
from typing import Any

from fastapi import FastAPI
from nicegui import app as framework
from nicegui import ui
from starlette.requests import Request
from starlette.responses import PlainTextResponse, Response

from weirwatch.domain.failures import Catalogue, SafetyCard
from weirwatch.ports import Archive, Clock, Core, LogKeeper
from weirwatch.settings import Settings
from weirwatch.web.access import Access
from weirwatch.web.guard import IDENTITY
from weirwatch.web.page.log_view import LogParts, LogView
from weirwatch.web.page.parts import Words, box
from weirwatch.web.page.sight import fixture
from weirwatch.web.page.signed import SignedCore, SignedKeeper
from weirwatch.web.page.upkeep_link import UpkeepLink
from weirwatch.web.page.view import PageView
from weirwatch.web.page.watch import Watch
from weirwatch.web.rights import SIGN_IN, Identity

_RECONNECT_S = 15.0  # a page that comes back later is loaded anew; typed text survives in the tab
_FAVICON = (
    '<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 32 32"><path d="M4 4V28H28V10" '
    'fill="none" stroke="#55636a" stroke-width="4"/><path d="M6 16q3-3 5 0t5 0t5 0t5 0V26H6z" '
    'fill="#8ba0aa"/></svg>'
)
_LOST = '<div id="ww-lost" role="alert" hidden></div>'


def mount(
    app: FastAPI,
    settings: Settings,
    archive: Archive,
    core: Core,
    catalogue: Catalogue,
    clock: Clock,
    access: Access | None = None,
    log_keeper: LogKeeper | None = None,
) -> None:
    """Serve the page at `/` and the log's at `/log` of the application; all else of it goes first.

    Its background threads start and stop with the application. NiceGUI keeps one application per
    process: a later mount in the same process takes the place of an earlier one.
    """

    def card_of(failure: str) -> SafetyCard | None:
        known = catalogue.failures.get(failure)
        return known.card if known else None

    _renew_framework()
    fixed = fixture(settings, card_of, clock.speed)
    watch = Watch(archive, core, clock)
    style, script = _asset("page.css"), _asset("page.js")

    @ui.page("/", title=fixed.title, favicon=_FAVICON)
    def index(request: Request) -> None:
        identity = request.scope[IDENTITY]
        ui.add_head_html(f"<style>{style}</style><script>{script}</script>")
        ui.add_body_html(_LOST)
        signed_core = SignedCore(core, identity, access)
        PageView(fixed, watch, archive, signed_core, clock, identity.name)
        with box("nav", "ww-nav"):
            UpkeepLink(settings, archive, clock)
        if identity.name:
            ui.html(_signed_in(identity), sanitize=False)

    @ui.page("/log", title=f"Log. {fixed.title}", favicon=_FAVICON)
    def log_page(request: Request) -> None:
        identity = request.scope[IDENTITY]
        ui.add_head_html(f"<style>{style}</style><script>{script}</script>")
        with box("header", "ww-top"), box("div", "ww-name"):
            Words("h1", f"Log of {fixed.title}")
            Words("a", "Alarms and values now", href="/")
        keeper = None if log_keeper is None else SignedKeeper(log_keeper, identity, access)
        LogView(LogParts(settings, archive, keeper, clock, identity.name))
        if identity.name:
            ui.html(_signed_in(identity), sanitize=False)

    ui.run_with(
        app,
        title=fixed.title,
        dark=None,
        language="en-GB",
        tailwind=False,
        binding_refresh_interval=None,
        reconnect_timeout=_RECONNECT_S,
        show_welcome_message=False,
    )
    _run_beside(app, watch)


def _signed_in(identity: Identity) -> str:
    said = f"Signed in as {escape(identity.name)}, who may {identity.role.value}."
    return f'<p class="ww-muted">{said} <a href="{SIGN_IN}">Sign out</a></p>'


def _renew_framework() -> None:
    """Make the framework's one application ready to be mounted, also a second time (in tests)."""
    framework.user_middleware.clear()
    framework.middleware_stack = None
    framework.add_exception_handler(404, _nothing_here)


def _nothing_here(request: Request, _: Exception) -> Response:
    return PlainTextResponse(f"Nothing at {request.url.path}. The page is at /.\n", 404)


def _asset(name: str) -> str:
    return files(__package__).joinpath(name).read_text(encoding="utf-8")


def _run_beside(app: FastAPI, watch: Watch) -> None:
    """Start and stop the watch with the application."""
    inner = app.router.lifespan_context

    @asynccontextmanager
    async def lifespan(application: FastAPI) -> AsyncIterator[Any]:
        watch.start()
        try:
            async with inner(application) as state:
                yield state
        finally:
            watch.close()

    app.router.lifespan_context = lifespan
