"""The home of the API's errors: RFC 9457 problem details with a stable type each."""

import logging
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import msgspec
from fastapi import FastAPI, Request
from fastapi.exceptions import RequestValidationError
from starlette.exceptions import HTTPException
from starlette.responses import Response

from weirwatch.domain.errors import (
    ConfigError,
    IllegalCommand,
    RefusedEntry,
    TransientError,
    UnknownChannel,
    UnknownFailure,
    UnknownRule,
    UnknownSystem,
    UnknownWork,
    WeirwatchError,
)

log = logging.getLogger(__name__)

MEDIA_TYPE = "application/problem+json"
TYPE_PREFIX = "urn:weirwatch:problem:"
_LONGEST = 500  # characters of a detail: it may quote what was sent


@dataclass(frozen=True, slots=True)
class Kind:
    """One kind of problem; `code` is the end of its type URI and never changes."""

    code: str
    status: int
    title: str


INVALID_REQUEST = Kind("invalid-request", 400, "The request is not valid")
NO_TOKEN = Kind("no-token", 401, "A token is needed")
NOT_ALLOWED = Kind("not-allowed", 403, "This token does not allow that")
FOREIGN_HOST = Kind("foreign-host", 403, "Only this machine is served")
FOREIGN_ORIGIN = Kind("foreign-origin", 403, "Pages of other sites may not command")
NOT_FOUND = Kind("not-found", 404, "There is nothing at this address")
UNKNOWN_RULE = Kind("unknown-rule", 404, "No rule has that id")
UNKNOWN_CHANNEL = Kind("unknown-channel", 404, "No channel has that id")
UNKNOWN_FAILURE = Kind("unknown-failure", 404, "No failure has that id")
UNKNOWN_WORK = Kind("unknown-work", 404, "No planned work has that id")
UNKNOWN_SYSTEM = Kind("unknown-system", 404, "No system has that id")
METHOD_NOT_ALLOWED = Kind("method-not-allowed", 405, "This address does not take that method")
NOT_ACCEPTABLE = Kind("not-acceptable", 406, "That format cannot be made here")
ILLEGAL_COMMAND = Kind("illegal-command", 409, "The alarm's state does not allow that command")
REFUSED_ENTRY = Kind("refused-entry", 409, "The log does not take that entry")
TOO_LARGE = Kind("too-large", 413, "The request is too large")
TOO_SLOW = Kind("too-slow", 408, "The request did not come to its end")
NOT_JSON = Kind("not-json", 415, "The body must be JSON")
NOT_A_PHOTO = Kind("not-a-photo", 415, "The body must be a picture")
LOCKED_OUT = Kind("locked-out", 429, "Too many wrong tokens")
TOO_MANY_REQUESTS = Kind("too-many-requests", 429, "Too many requests")
OTHER = Kind("refused", 400, "The request was refused")
FAILED = Kind("failed", 500, "Weirwatch failed on this request")
NOT_ANSWERING = Kind("not-answering", 503, "The service does not answer right now")
TOO_MANY_STREAMS = Kind("too-many-streams", 503, "Too many event streams are open")

KINDS = (
    INVALID_REQUEST,
    NO_TOKEN,
    NOT_ALLOWED,
    FOREIGN_HOST,
    FOREIGN_ORIGIN,
    NOT_FOUND,
    UNKNOWN_RULE,
    UNKNOWN_CHANNEL,
    UNKNOWN_FAILURE,
    UNKNOWN_WORK,
    UNKNOWN_SYSTEM,
    METHOD_NOT_ALLOWED,
    NOT_ACCEPTABLE,
    ILLEGAL_COMMAND,
    REFUSED_ENTRY,
    TOO_LARGE,
    TOO_SLOW,
    NOT_JSON,
    NOT_A_PHOTO,
    LOCKED_OUT,
    TOO_MANY_REQUESTS,
    OTHER,
    FAILED,
    NOT_ANSWERING,
    TOO_MANY_STREAMS,
)

_BY_ERROR: Mapping[type[WeirwatchError], Kind] = {
    IllegalCommand: ILLEGAL_COMMAND,
    UnknownRule: UNKNOWN_RULE,
    UnknownChannel: UNKNOWN_CHANNEL,
    UnknownFailure: UNKNOWN_FAILURE,
    UnknownSystem: UNKNOWN_SYSTEM,
    UnknownWork: UNKNOWN_WORK,
    RefusedEntry: REFUSED_ENTRY,
    TransientError: NOT_ANSWERING,
    ConfigError: NOT_ANSWERING,  # the file is not there yet, or not ours to read
    WeirwatchError: FAILED,
}
_BY_STATUS = {404: NOT_FOUND, 405: METHOD_NOT_ALLOWED, 413: TOO_LARGE, 415: NOT_JSON}


def problem(
    kind: Kind,
    detail: str,
    *,
    errors: Sequence[Mapping[str, str]] = (),
    headers: Mapping[str, str] | None = None,
    status: int | None = None,
) -> Response:
    """Return the answer for one problem."""
    code = kind.status if status is None else status
    body: dict[str, Any] = {
        "type": TYPE_PREFIX + kind.code,
        "title": kind.title,
        "status": code,
        "detail": _clean(detail),
    }
    if errors:
        body["errors"] = [{key: _clean(text) for key, text in e.items()} for e in errors]
    more = {"Retry-After": "2"} if code == 503 else {}
    return Response(
        msgspec.json.encode(body), code, headers=more | dict(headers or {}), media_type=MEDIA_TYPE
    )


def install(app: FastAPI) -> None:
    """Answer every error of the application with a problem."""
    app.add_exception_handler(WeirwatchError, _own)
    app.add_exception_handler(RequestValidationError, _invalid)
    app.add_exception_handler(HTTPException, _http)
    app.add_exception_handler(Exception, _unexpected)


async def _own(request: Request, error: Exception) -> Response:
    kind = next(_BY_ERROR[t] for t in type(error).__mro__ if t in _BY_ERROR)
    if kind.status >= 500:
        log.warning("web.%s path=%s error=%s", kind.code, request.url.path, error)
    return problem(kind, str(error))


async def _invalid(request: Request, error: Exception) -> Response:
    assert isinstance(error, RequestValidationError)  # noqa: S101 - registered for it alone
    parts = _parts(error)
    detail = "; ".join(f"{part['at']}: {part['problem']}" for part in parts)
    log.debug("web.invalid path=%s", request.url.path)
    return problem(INVALID_REQUEST, detail, errors=parts)


def _parts(error: RequestValidationError) -> list[dict[str, str]]:
    """Return each mistake once, at the place where a person would look for it."""
    parts: dict[str, str] = {}
    for found in error.errors():
        place, *steps = found["loc"]
        # Outside of a body there is one level; what follows are inner workings.
        at = ".".join(str(step) for step in (place, *(steps if place == "body" else steps[:1])))
        parts.setdefault(at, str(found["msg"]).removeprefix("Value error, "))
    return [{"at": at, "problem": said} for at, said in parts.items()]


async def _http(request: Request, error: Exception) -> Response:
    assert isinstance(error, HTTPException)  # noqa: S101 - registered for it alone
    kind = _BY_STATUS.get(error.status_code, FAILED if error.status_code >= 500 else OTHER)
    detail = {
        NOT_FOUND: f"nothing at {request.url.path}; see /api/v1/openapi.json for what there is",
        METHOD_NOT_ALLOWED: f"{request.method} is not for {request.url.path}",
    }.get(kind, str(error.detail))
    return problem(kind, detail, headers=error.headers, status=error.status_code)


async def _unexpected(request: Request, error: Exception) -> Response:
    log.error("web.failed path=%s error=%r", request.url.path, error)
    return problem(FAILED, "this is a fault of Weirwatch; its log says more")


def _clean(text: str) -> str:
    """Return text that any JSON parser takes: no lone surrogates, not endless."""
    return text.encode("utf-8", "replace").decode()[:_LONGEST]
