"""Access rights in the file: the tables, the register that writes them, the book that reads."""

import sqlite3
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from threading import Lock

from weirwatch.domain.errors import ConfigError
from weirwatch.domain.instant import Micros
from weirwatch.pipeline.access import Deed, Role, Session, Token
from weirwatch.store.connection import open_reader, open_writer, own_errors, transaction

DEEDS_KEPT = 100_000  # some 20 MB; the oldest go first

TABLES = (
    """
    CREATE TABLE token (
      id TEXT PRIMARY KEY,
      name TEXT NOT NULL,
      role TEXT NOT NULL,           -- view, operate, admin
      salt BLOB NOT NULL,
      proof BLOB NOT NULL,          -- scrypt of the secret; the secret itself is nowhere
      created INTEGER NOT NULL,
      expires INTEGER,
      revoked INTEGER,
      last_used INTEGER,
      last_from TEXT NOT NULL
    ) STRICT, WITHOUT ROWID
    """,
    """
    CREATE TABLE deed (             -- who did what, from where; the newest
      number INTEGER PRIMARY KEY AUTOINCREMENT,
      time INTEGER NOT NULL,
      who TEXT NOT NULL,
      remote TEXT NOT NULL,
      action TEXT NOT NULL,
      subject TEXT NOT NULL,
      outcome TEXT NOT NULL
    ) STRICT
    """,
)
SESSIONS_KEPT = 1000  # those that end first go
SESSIONS = (
    """
    CREATE TABLE session (          -- pages that are signed in
      digest BLOB PRIMARY KEY,      -- SHA-256 of the cookie's text; the text itself is nowhere
      token TEXT NOT NULL,          -- token.id
      until INTEGER NOT NULL
    ) STRICT, WITHOUT ROWID
    """,
)
_CROWDED_OUT = (
    "DELETE FROM session WHERE digest IN"
    " (SELECT digest FROM session ORDER BY until DESC LIMIT -1 OFFSET ?)"
)
_TOKENS = (
    "SELECT id, name, role, salt, proof, created, expires, revoked, last_used, last_from"
    " FROM token ORDER BY created, id"
)
_DEEDS = (
    "SELECT number, time, who, remote, action, subject, outcome FROM deed"
    " WHERE number < ? ORDER BY number DESC LIMIT ?"
)


class SqliteRegister:
    """`pipeline.access.AccessRegister` on an existing file; each change is one transaction.

    Raises:
        TransientError, PermanentError: the file cannot be opened or written.
    """

    def __init__(self, path: Path) -> None:
        self._path = path
        self._lock = Lock()
        self._connection = open_writer(path)

    def add(self, token: Token) -> None:
        """Keep a new token.

        Raises:
            ConfigError: a usable one has the same name.
        """
        with self._writing() as connection:
            known = _tokens(connection)
            if any(old.name == token.name and old.usable(token.created) for old in known):
                raise ConfigError(
                    f"there is a token with the name {token.name!r} already: revoke it first, or"
                    " choose another name"
                )
            connection.execute(
                "INSERT INTO token VALUES (?, ?, ?, ?, ?, ?, ?, NULL, NULL, '')",
                (
                    token.id,
                    token.name,
                    token.role.value,
                    token.salt,
                    token.proof,
                    token.created,
                    token.expires,
                ),
            )

    def revoke(self, name_or_id: str, now: Micros) -> Token:
        """Revoke one token for good.

        Raises:
            ConfigError: no token in use has that name or id.
        """
        with self._writing() as connection:
            found = [
                token
                for token in _tokens(connection)
                if token.revoked is None and name_or_id in (token.id, token.name)
            ]
            if not found:
                raise ConfigError(
                    f"no token in use has the name or id {name_or_id!r}: see weirwatch token list"
                )
            connection.executemany(
                "UPDATE token SET revoked = ? WHERE id = ?", [(now, token.id) for token in found]
            )
        return found[-1]

    def used(self, token_id: str, now: Micros, remote: str) -> None:
        """Note that a token was used."""
        with self._writing() as connection:
            connection.execute(
                "UPDATE token SET last_used = ?, last_from = ? WHERE id = ?",
                (now, remote, token_id),
            )

    def begin(self, session: Session) -> None:
        """Keep a session; where there are too many, those that end first give way."""
        row = (session.digest, session.token, session.until)
        with self._writing() as connection:
            connection.execute("INSERT OR REPLACE INTO session VALUES (?, ?, ?)", row)
            connection.execute(_CROWDED_OUT, (SESSIONS_KEPT,))

    def end(self, digest: bytes) -> None:
        """Forget a session, if it is one."""
        with self._writing() as connection:
            connection.execute("DELETE FROM session WHERE digest = ?", (digest,))

    def note(self, deed: Deed) -> None:
        """Put a deed on record; the oldest give way."""
        texts = (deed.who, deed.remote, deed.action, deed.subject, deed.outcome)
        with self._writing() as connection:
            cursor = connection.execute(
                "INSERT INTO deed (time, who, remote, action, subject, outcome)"
                " VALUES (?, ?, ?, ?, ?, ?)",
                (deed.time, *(text.replace("\0", " ")[:1000] for text in texts)),
            )
            oldest = (cursor.lastrowid or 0) - DEEDS_KEPT
            if oldest > 0:
                connection.execute("DELETE FROM deed WHERE number <= ?", (oldest,))

    def tokens(self) -> Sequence[Token]:
        """Return all tokens ever made, oldest first."""
        with self._lock, own_errors(self._path):
            return _tokens(self._connection)

    def close(self) -> None:
        """Close; idempotent."""
        with self._lock:
            self._connection.close()

    @contextmanager
    def _writing(self) -> Iterator[sqlite3.Connection]:
        with self._lock, transaction(self._connection, self._path):
            yield self._connection


class SqliteBook:
    """`pipeline.access.AccessBook` on the file, read-only; made before the file if need be.

    Every method raises:
        ConfigError: there is no file yet.
        TransientError, PermanentError: it cannot be read.
    """

    def __init__(self, path: Path) -> None:
        self._path = path
        self._lock = Lock()
        self._connection: sqlite3.Connection | None = None

    def tokens(self) -> Sequence[Token]:
        """Return all tokens ever made, oldest first."""
        with self._reading() as connection:
            return _tokens(connection)

    def session(self, digest: bytes) -> Session | None:
        """Return the session with this digest, ended by time or not; None: there is none."""
        asked = "SELECT digest, token, until FROM session WHERE digest = ?"
        with self._reading() as connection:
            row = connection.execute(asked, (digest,)).fetchone()
        return None if row is None else Session(*row)

    def deeds(self, before: int | None, limit: int) -> Sequence[tuple[int, Deed]]:
        """Return (number, deed), newest first, numbers below `before`."""
        with self._reading() as connection:
            rows = connection.execute(_DEEDS, (before or 2**62, limit)).fetchall()
        return [(row[0], Deed(*row[1:])) for row in rows]

    def close(self) -> None:
        """Close; idempotent."""
        with self._lock:
            if self._connection is not None:
                self._connection.close()
                self._connection = None

    @contextmanager
    def _reading(self) -> Iterator[sqlite3.Connection]:
        with self._lock, own_errors(self._path):
            if self._connection is None:
                self._connection = open_reader(self._path)
            yield self._connection


def _tokens(connection: sqlite3.Connection) -> list[Token]:
    return [Token(row[0], row[1], Role(row[2]), *row[3:]) for row in connection.execute(_TOKENS)]
