"""The home of the page to sign in: one form, no script; the cookie is out of any script's reach."""

from html import escape
from urllib.parse import parse_qs, quote

from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import HTMLResponse, RedirectResponse, Response
from starlette.routing import Route

from weirwatch.pipeline.access import SESSION
from weirwatch.web.access import Access, Refusal
from weirwatch.web.rights import SIGN_IN, SIGN_OUT, Identity

COOKIE = "weirwatch_session"
BACK = '<p><a href="/">To the page</a></p>'
PAGES = ("/", "/log")  # where signing in may lead; no other address, least of all a foreign one
_SHEET = (
    "body{font:1rem/1.5 system-ui,sans-serif;background:#e9edee;color:#26333a;margin:0}"
    "main{max-width:24rem;margin:12vh auto;padding:1rem}label{display:block;margin:1rem 0 .3rem}"
    "input,button{font:inherit;width:100%;box-sizing:border-box;padding:.6rem;border:1px solid"
    " #7d8c93;border-radius:3px;background:#fff}button{margin-top:1rem;background:#d4dcdf}"
    "[role=alert]{border-left:4px solid #a33;padding-left:.6rem}"
)


def sign_in_routes(access: Access) -> list[Route]:
    """Return the routes of signing in and out."""

    async def form(request: Request) -> Response:
        identity = await run_in_threadpool(_who, access, request)
        if identity is not None:
            return _page(_out(identity))
        return _page(_in(""))

    async def sign_in(request: Request) -> Response:
        text = _field(await request.body(), "token")
        try:
            session = await run_in_threadpool(access.sign_in, text, remote_of(request))
        except Refusal as refusal:
            answer = _page(_in(refusal.detail), refusal.kind.status)
            if refusal.retry_after_s is not None:
                answer.headers["Retry-After"] = str(refusal.retry_after_s)
            return answer
        wished = request.query_params.get("to", "")
        answer = RedirectResponse(wished if wished in PAGES else PAGES[0], 303)
        answer.set_cookie(
            COOKIE,
            session,
            max_age=SESSION // 1_000_000,
            httponly=True,
            samesite="lax",  # "strict" would not know who follows a notice's link from a mailbox
            secure=_encrypted(request),
            path="/",
        )
        return answer

    async def sign_out(request: Request) -> Response:
        try:
            await run_in_threadpool(access.sign_out, request.cookies.get(COOKIE, ""))
        except Refusal as refusal:
            return _page(_alert(refusal.detail) + BACK, refusal.kind.status)
        answer = RedirectResponse(SIGN_IN, 303)
        answer.delete_cookie(COOKIE, path="/", httponly=True, samesite="lax")
        return answer

    return [
        Route(SIGN_IN, form, methods=["GET"]),
        Route(SIGN_IN, sign_in, methods=["POST"]),
        Route(SIGN_OUT, sign_out, methods=["POST"]),
    ]


def way_in(path: str) -> str | None:
    """Return the address that asks to sign in for a page; None: it is none of the pages."""
    if path not in PAGES:
        return None
    return SIGN_IN if path == PAGES[0] else f"{SIGN_IN}?to={quote(path, safe='')}"


def remote_of(request: Request) -> str:
    """Return the address that a request came from."""
    return request.client.host if request.client else "unknown"


def _who(access: Access, request: Request) -> Identity | None:
    session = request.cookies.get(COOKIE)
    return access.by_session(session, remote_of(request)) if session else None


def _encrypted(request: Request) -> bool:
    """Return whether the browser came by TLS, also through a proxy: it only makes us stricter."""
    return "https" in (request.url.scheme, request.headers.get("x-forwarded-proto"))


def _field(body: bytes, name: str) -> str:
    try:
        return parse_qs(body.decode("ascii"), max_num_fields=4).get(name, [""])[0]
    except ValueError:
        return ""


def _alert(trouble: str) -> str:
    return f'<p role="alert">{escape(trouble)[:1].upper()}{escape(trouble)[1:]}.</p>'


def _in(trouble: str) -> str:
    """Return the form; without an action it goes where the browser is, fragment and all.

    So the alarm that a notice's link names is still known afterwards (HTML, form submission
    algorithm, step 13; Fetch, HTTP-redirect fetch: a redirection inherits the fragment).
    """
    return (
        f"<h1>Sign in</h1>{_alert(trouble) if trouble else ''}"
        '<form method="post"><label for="token">Your token</label>'
        '<input id="token" name="token" type="password" autocomplete="current-password" required'
        ' autofocus><button type="submit">Sign in</button></form>'
        "<p>Whoever runs this service makes tokens, with <code>weirwatch token add</code>.</p>"
    )


def _out(identity: Identity) -> str:
    return (
        f"<h1>Signed in</h1><p>As {escape(identity.name)}, who may {identity.role.value}.</p>"
        f'<form method="post" action="{SIGN_OUT}"><button type="submit">Sign out</button></form>'
        f"{BACK}"
    )


def _page(content: str, status: int = 200) -> Response:
    return HTMLResponse(
        '<!doctype html><html lang="en"><head><meta charset="utf-8"><title>Weirwatch: sign in'
        '</title><meta name="viewport" content="width=device-width,initial-scale=1">'
        f"<style>{_SHEET}</style></head><body><main>{content}</main></body></html>",
        status,
        # With no-referrer a browser would not say in Origin where the form came from.
        headers={"Cache-Control": "no-store", "Referrer-Policy": "same-origin"},
    )
