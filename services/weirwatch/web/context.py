"""The home of what every route needs, and of how it answers."""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import msgspec
from starlette.responses import Response

from weirwatch.domain.failures import Catalogue
from weirwatch.ports import Archive, Clock, Core
from weirwatch.settings import Settings
from weirwatch.web.live import Live
from weirwatch.web.problems import MEDIA_TYPE, Kind


@dataclass(frozen=True, slots=True)
class Context:
    """The web's view of the world, handed to every router."""

    settings: Settings
    archive: Archive
    core: Core
    catalogue: Catalogue
    clock: Clock
    live: Live


class JsonAnswer(Response):
    """JSON of plain data; a number that JSON cannot write becomes null."""

    media_type = "application/json"

    def render(self, content: Any) -> bytes:
        """Return the body."""
        return msgspec.json.encode(content)


def problem_responses(*kinds: Kind) -> dict[int | str, dict[str, Any]]:
    """Return the OpenAPI entries of the problems that a route may answer with."""
    titles: dict[int | str, list[str]] = {}
    for kind in kinds:
        titles.setdefault(kind.status, []).append(f"{kind.title} (`{kind.code}`).")
    schema: Mapping[str, str] = {"$ref": "#/components/schemas/Problem"}
    return {
        status: {
            "description": " ".join(sentences),
            "content": {MEDIA_TYPE: {"schema": schema}},
        }
        for status, sentences in titles.items()
    }
