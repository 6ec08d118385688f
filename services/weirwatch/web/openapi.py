"""The home of the OpenAPI document: what the framework says, corrected where it says too much."""

from typing import Any

from fastapi import FastAPI
from fastapi.openapi.utils import get_openapi

from weirwatch.web import problems
from weirwatch.web.context import problem_responses
from weirwatch.web.schemas import Problem

_EVERYWHERE = problem_responses(
    problems.NO_TOKEN,
    problems.NOT_ALLOWED,
    problems.FOREIGN_HOST,
    problems.FOREIGN_ORIGIN,
    problems.TOO_SLOW,
    problems.LOCKED_OUT,
    problems.TOO_MANY_REQUESTS,
    problems.FAILED,
    problems.NOT_ANSWERING,
)


def document(app: FastAPI) -> dict[str, Any]:
    """Return the OpenAPI document of the application's routes."""
    found = get_openapi(
        title=app.title,
        version=app.version,
        summary=app.summary,
        description=app.description,
        routes=app.routes,
    )
    for path in found["paths"].values():
        for operation in path.values():
            responses = operation["responses"]
            responses.pop("422", None)  # every mistake of a request is a 400 here
            for status, response in _EVERYWHERE.items():
                known = responses.setdefault(str(status), response)
                if known["description"] != response["description"]:
                    known["description"] += " " + response["description"]
    components = found.setdefault("components", {})
    # Needed once somebody has a token; until then this machine is served without.
    components["securitySchemes"] = {"token": {"type": "http", "scheme": "bearer"}}
    found["security"] = [{}, {"token": []}]
    schemas = components.setdefault("schemas", {})
    for name in ("HTTPValidationError", "ValidationError"):
        schemas.pop(name, None)
    problem = Problem.model_json_schema(ref_template="#/components/schemas/{model}")
    schemas.update(problem.pop("$defs", {}))
    schemas["Problem"] = problem
    return found
