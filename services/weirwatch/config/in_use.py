"""The home of what the configuration file said when the service started.

The web process reads this and not the file, so that both processes go by the same rules whatever
has been written since; and the service can say that a restart is needed.
"""

import os
import tomllib
from pathlib import Path

from weirwatch.domain.errors import ConfigError

FILE_NAME = "configuration-in-use.toml"


class InUse:
    """The text of a configuration file at one moment; `edited` may be asked from any thread.

    Args:
        path: the file; it has been loaded, hence it can be read.
    """

    def __init__(self, path: Path) -> None:
        self.path = path.absolute()
        self._text = self.path.read_bytes()
        self._seen = self._stamp()
        self._edited = False

    def keep(self, folder: Path) -> Path:
        """Write the text into a file of its own, for this user only, and return it.

        Raises:
            ConfigError: the folder cannot be written.
        """
        kept = folder / FILE_NAME
        draft = folder / f"{FILE_NAME}.new"
        try:
            folder.mkdir(parents=True, exist_ok=True)
            draft.unlink(missing_ok=True)
            with os.fdopen(os.open(draft, os.O_CREAT | os.O_EXCL | os.O_WRONLY, 0o600), "wb") as f:
                f.write(self._text)
            draft.replace(kept)
        except OSError as error:
            raise ConfigError(
                f"{kept}: cannot be written ({error.strerror}): make the data folder writable"
            ) from error
        return kept

    def edited(self) -> bool:
        """Return whether the file says something else by now; a comment is nothing else."""
        seen = self._stamp()
        if seen != self._seen:
            self._edited = self._differs()
            self._seen = seen
        return self._edited

    def _stamp(self) -> tuple[int, int, int] | None:
        try:
            found = self.path.stat()
        except OSError:
            return None
        return (found.st_ino, found.st_size, found.st_mtime_ns)

    def _differs(self) -> bool:
        try:
            now = self.path.read_bytes()
            return now != self._text and _meaning(now) != _meaning(self._text)
        except (OSError, ValueError, RecursionError):
            return True  # gone, or no TOML: the next start will say what is wrong with it


def _meaning(text: bytes) -> dict[str, object]:
    return tomllib.loads(text.decode("utf-8-sig"))
