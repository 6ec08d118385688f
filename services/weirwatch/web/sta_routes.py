"""The home of the routes of SensorThings: `/sta/v1.1` and everything below it."""

from typing import Any

from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

from weirwatch.web import problems
from weirwatch.web.context import Context, JsonAnswer
from weirwatch.web.sta.entities import LINKS
from weirwatch.web.sta.service import Nothing, Service
from weirwatch.web.sta.words import options

ROOT = "/sta/v1.1"
_CLASSES = "http://www.opengis.net/spec/iot_sensing/1.1/req/"


def sta_routes(context: Context) -> list[Route]:
    """Return the routes; reading only, the guard wants the role `view`."""

    def root(request: Request) -> Response:
        base = _base(request)
        return JsonAnswer(
            {
                "value": [{"name": name, "url": f"{base}/{name}"} for name in LINKS],
                "serverSettings": {
                    "conformance": [_CLASSES + name for name in ("datamodel", "resource-path/")]
                    + [_CLASSES + "request-data", _CLASSES + "data-array/data-array"]
                },
            }
        )

    def below(request: Request) -> Response:
        path = request.path_params["rest"].rstrip("/")
        if not path:
            return root(request)
        query = dict(request.query_params)
        if len(request.query_params.multi_items()) > len(query):
            return problems.problem(problems.INVALID_REQUEST, "an option is given twice")
        try:
            service = Service(context.settings, context.archive, _base(request))
            answer: Any = service.answer(path, options(query), query)
        except Nothing as nothing:
            return problems.problem(problems.NOT_FOUND, str(nothing))
        except ValueError as error:
            return problems.problem(problems.INVALID_REQUEST, str(error))
        return JsonAnswer(answer)

    return [
        Route(ROOT, root, methods=["GET"], name="sta"),
        Route(ROOT + "/{rest:path}", below, methods=["GET"], name="sta_below"),
    ]


def _base(request: Request) -> str:
    scheme = "https" if request.headers.get("x-forwarded-proto") == "https" else request.url.scheme
    return f"{scheme}://{request.url.netloc}{ROOT}"
