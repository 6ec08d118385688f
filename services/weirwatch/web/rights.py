"""The home of which role an address needs, and of who is asking."""

import re
from dataclasses import dataclass

from weirwatch.pipeline.access import Role

SAFE_METHODS = ("GET", "HEAD", "OPTIONS")
SIGN_IN = "/sign-in"
SIGN_OUT = "/sign-out"
# Answers that tell nothing of the plant: is the process alive, and how to get in.
PUBLIC = frozenset({"/api/v1/alive", SIGN_IN, SIGN_OUT})
_OF_ADMIN = re.compile(r"/api/v1/(tokens|audit)(/.*)?")
_OF_PAGE = re.compile(r"/_nicegui(_ws)?/.*")  # its live connection may fall back to POST


@dataclass(frozen=True, slots=True)
class Identity:
    """Who is asking.

    Attributes:
        name: the token's name; empty without access rights, then everybody here may everything.
        remote: address the request came from.
        token_id: empty without access rights.
        session: came with the page's cookie, not with a token in its header.
    """

    name: str
    role: Role
    remote: str
    token_id: str = ""
    session: bool = False


def role_needed(method: str, path: str) -> Role:
    """Return the role that a request needs: to read view, to change operate, some things admin."""
    if _OF_ADMIN.fullmatch(path):
        return Role.ADMIN
    if method in SAFE_METHODS or _OF_PAGE.fullmatch(path):
        return Role.VIEW
    return Role.OPERATE
