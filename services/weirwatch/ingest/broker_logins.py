"""Who may log in at a mosquitto of one's own, and publish what: its password and ACL files.

A node publishes below its own prefix, and on the topics of the taps that feed its channels, and
reads nothing; a listener, such as the watcher on another machine, reads what is below the root and
publishes nothing; the service reads everything and publishes below the root. The format of a
password is that of mosquitto_passwd: $7$ is PBKDF2-HMAC-SHA512.
"""

import base64
import hashlib
import os
import re
import secrets
from collections.abc import Iterable, Mapping, Sequence
from pathlib import Path

from weirwatch.domain.errors import ConfigError
from weirwatch.settings import TapSettings, drill_root

SERVICE = "weirwatch"
PASSWORDS, ACL, SERVICE_LOGIN = "passwords", "acl", "service-login.toml"
_LISTENER = re.compile(r"[a-z][a-z0-9-]{0,31}")
# The passwords are random, 192 bits: more rounds would only slow the broker down.
_ROUNDS = 101
_HEAD = "# Written by weirwatch node: changes here are lost. After a change: kill -HUP mosquitto.\n"


class BrokerLogins:
    """The files in one folder; each change writes them whole or not at all.

    Args:
        folder: made when it is missing.
        root: first level of every topic.
        taps: of foreign nodes.
    """

    def __init__(self, folder: Path, root: str, taps: Iterable[TapSettings] = ()) -> None:
        self.folder = folder
        self._root = root
        self._taps: dict[str, list[str]] = {}
        for tap in taps:
            if tap.topic.isprintable():  # it becomes a line of a file
                node = "/".join(tap.channel.split("/")[:2])
                self._taps.setdefault(node, []).append(tap.topic)

    def topics(self, node: str) -> list[str]:
        """Return the topics of the taps that feed the node's channels, each once."""
        return list(dict.fromkeys(self._taps.get(node, ())))

    def nodes(self) -> list[str]:
        """Return the nodes that have a login, as system/node, in order."""
        return sorted(name for name in self._read() if "/" in name)

    def listeners(self) -> list[str]:
        """Return the listeners that have a login, in order."""
        return sorted(name for name in self._read() if _listens(name))

    def add(self, node: str) -> str:
        """Give a node a login, the service as well if it has none yet; return the password.

        Raises:
            ConfigError: the node has one already, or the folder cannot be written.
        """
        return self._add(node, f"node {node!r}")

    def add_listener(self, name: str) -> str:
        """Give a listener a login, the service as well if it has none yet; return the password.

        Raises:
            ConfigError: the name cannot be one, or has a login already, or the folder cannot be
                written.
        """
        if not _LISTENER.fullmatch(name) or name == SERVICE:
            raise ConfigError(
                f"listener {name!r}: write a small letter, then small letters, digits and -, 32"
                f" characters at most, and not {SERVICE!r}, which is the service itself"
            )
        return self._add(name, f"listener {name!r}")

    def _add(self, name: str, told: str) -> str:
        known = dict(self._read())
        if name in known:
            raise ConfigError(f"{told} has a login already: revoke it first for a new one")
        self._let_service_in(known)
        password = secrets.token_urlsafe(24)
        known[name] = hashed(password)
        self._save(known)
        return password

    def prepare(self) -> None:
        """Give the service a login if it has none yet, before there is any node.

        Raises:
            ConfigError: the folder cannot be written.
        """
        known = dict(self._read())
        if SERVICE not in known:
            self._let_service_in(known)
            self._save(known)

    def revoke(self, name: str) -> None:
        """Take the login of a node or a listener away.

        Raises:
            ConfigError: it has none, or the folder cannot be written.
        """
        known = dict(self._read())
        if name == SERVICE or name not in known:
            raise ConfigError(f"{name!r} has no login: see weirwatch node list")
        del known[name]
        self._save(known)

    def _let_service_in(self, known: dict[str, str]) -> None:
        if SERVICE in known:
            return
        own = secrets.token_urlsafe(24)
        known[SERVICE] = hashed(own)
        self._write(SERVICE_LOGIN, f'username = "{SERVICE}"\npassword = "{own}"\n', 0o600)

    def _read(self) -> Mapping[str, str]:
        path = self.folder / PASSWORDS
        try:
            text = path.read_text(encoding="utf-8")
        except FileNotFoundError:
            return {}
        except OSError as error:
            raise ConfigError(f"{path}: cannot be read ({error.strerror})") from error
        lines = [line.partition(":") for line in text.splitlines() if line and line[0] != "#"]
        return {name: proof for name, _, proof in lines}

    def _save(self, known: Mapping[str, str]) -> None:
        taps = {node: self.topics(node) for node in self._taps}
        self._write(ACL, acl(known, self._root, taps), 0o640)
        lines = [f"{name}:{proof}\n" for name, proof in sorted(known.items())]
        self._write(PASSWORDS, "".join(lines), 0o640)

    def _write(self, name: str, text: str, mode: int) -> None:
        path = self.folder / name
        draft = path.with_name(name + ".new")
        try:
            self.folder.mkdir(mode=0o750, parents=True, exist_ok=True)
            draft.unlink(missing_ok=True)
            handle = os.open(draft, os.O_CREAT | os.O_EXCL | os.O_WRONLY, mode)
            with os.fdopen(handle, "w", encoding="utf-8") as file:
                file.write(text)
                file.flush()
                os.fsync(file.fileno())
            draft.replace(path)
        except OSError as error:
            raise ConfigError(
                f"{path}: cannot be written ({error.strerror}): make its folder writable for this"
                " user, or name another with --folder"
            ) from error


def _listens(name: str) -> bool:
    """Return whether a login is a listener's: a node's has its system before it."""
    return name != SERVICE and "/" not in name


def acl(names: Mapping[str, str], root: str, taps: Mapping[str, Sequence[str]]) -> str:
    """Return the ACL file for these logins; `taps`: the foreign topics of a node."""
    parts = [_HEAD]
    for name in sorted(names):
        if name == SERVICE:
            rights = f"topic read #\ntopic write {root}/#\ntopic write {drill_root(root)}/#\n"
        elif _listens(name):
            rights = f"topic read {root}/#\n"
        else:
            own = (f"{root}/{name}/readings", f"{root}/{name}/connection", *taps.get(name, ()))
            rights = "".join(f"topic write {topic}\n" for topic in own)
        parts.append(f"\nuser {name}\n{rights}")
    return "".join(parts)


def hashed(password: str, salt: bytes | None = None) -> str:
    """Return a password as mosquitto keeps it."""
    salt = secrets.token_bytes(12) if salt is None else salt
    proof = hashlib.pbkdf2_hmac("sha512", password.encode(), salt, _ROUNDS)
    return "$7${}${}${}".format(
        _ROUNDS, *(base64.b64encode(part).decode() for part in (salt, proof))
    )
