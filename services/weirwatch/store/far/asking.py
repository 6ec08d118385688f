"""One HTTP request to a history server, and what its answers mean."""

import base64
import gzip
import tomllib
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from http.client import HTTPException
from pathlib import Path
from urllib.error import HTTPError, URLError
from urllib.parse import urlencode, urlsplit
from urllib.request import HTTPRedirectHandler, Request, build_opener

from weirwatch.domain.errors import ConfigError, PermanentError, TransientError

TIMEOUT_S = 30.0
REFUSED = frozenset({400, 413, 422})  # what was asked; all else may be otherwise later
_LONGEST = 300


class _NoRedirects(HTTPRedirectHandler):
    """Follows none: it would turn what is written into a question, and tell others who we are."""

    def redirect_request(self, *_: object) -> None:
        """Leave the answer what it is."""


_opener = build_opener(_NoRedirects)


@dataclass(frozen=True, slots=True)
class Login:
    """How we show who we are: a token, else a name with a password, else not at all."""

    token: str = ""
    username: str = ""
    password: str = ""

    def headers(self) -> dict[str, str]:
        """Return the header that says so."""
        if self.token:
            return {"Authorization": f"Bearer {self.token}"}
        if self.username:
            both = base64.b64encode(f"{self.username}:{self.password}".encode()).decode()
            return {"Authorization": f"Basic {both}"}
        return {}


def read_login(path: Path | None) -> Login:
    """Return what the file says: TOML with `token`, or with `username` and `password`.

    Raises:
        ConfigError: it cannot be read, or says something else.
    """
    if path is None:
        return Login()
    where = f"history.credentials_file {path}"
    try:
        found = tomllib.loads(path.read_text(encoding="utf-8"))
    except OSError as error:
        raise ConfigError(f"{where}: cannot be read ({error.strerror}): correct it") from error
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
        raise ConfigError(f'{where}: not TOML: write token = "…"') from error
    if set(found) not in ({"token"}, {"username", "password"}) or not all(
        isinstance(value, str) and value for value in found.values()
    ):
        raise ConfigError(f"{where}: write token, or username and password, as texts")
    return Login(**found)


def ask(
    url: str,
    query: Mapping[str, object],
    login: Login,
    body: bytes | None = None,
    timeout_s: float = TIMEOUT_S,
) -> bytes:
    """Return the answer's body; a body of ours is sent packed with gzip.

    Raises:
        TransientError: no answer, or one that may be otherwise later.
        PermanentError: the server refuses what it was asked.
    """
    headers = login.headers()
    if body is not None:
        headers |= {"Content-Encoding": "gzip", "Content-Type": "text/plain; charset=utf-8"}
        body = gzip.compress(body, 1, mtime=0)
    request = Request(f"{url}?{urlencode(query)}" if query else url, data=body, headers=headers)  # noqa: S310 - the configuration admits http and https only
    place = urlsplit(url).netloc
    try:
        with _opener.open(request, timeout=timeout_s) as answer:
            content: bytes = answer.read()
    except HTTPError as error:
        with error:
            said = error.read(4096).decode("utf-8", "replace").strip()[:_LONGEST]
        elsewhere = error.headers.get("Location", "")
        said = f"go to {elsewhere}; write the right address" if elsewhere else said
        sentence = f"the history server {place} answers {error.code}: {said or error.reason}"
        if error.code in REFUSED:
            raise PermanentError(sentence) from error
        raise TransientError(sentence) from error
    except (URLError, OSError, HTTPException) as error:
        reason = getattr(error, "reason", error)
        raise TransientError(f"the history server {place} does not answer ({reason})") from error
    return content


@contextmanager
def understood(name: str) -> Iterator[None]:
    """Turn what comes of an answer that nobody foresaw into an error of ours.

    Raises:
        TransientError: it is not what such a server says.
    """
    try:
        yield
    except (LookupError, TypeError, ValueError, AttributeError, ArithmeticError) as odd:
        raise TransientError(
            f"the history server gives an answer that is none of {name} ({odd!r}): see [history]"
        ) from odd
