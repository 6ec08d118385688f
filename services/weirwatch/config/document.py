"""The configuration file as a table: reading it, and what the caller says louder than it."""

import re
import tomllib
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from weirwatch.config.problems import did_you_mean
from weirwatch.domain.errors import ConfigError

_USUAL_CURE = "Name the right one with --config, or start from deploy/starter.toml."
_PLACE = re.compile(r" \(at (line (\d+), column (\d+)|end of document)\)$")


@dataclass(frozen=True, slots=True)
class Overrides:
    """What a command's options say louder than the file.

    Attributes:
        data_dir: `service.data_dir`; relative to where the command runs.
        web_listen: `web.listen`.
        broker_url: `broker.url`.
        broker_listen: `broker.listen`.
        rule_values: (rule id, key, value): keys of `[[rule]]` tables.
        without_credentials: leave out `broker.credentials_file`, for who is about to write it.
    """

    data_dir: Path | None = None
    web_listen: str | None = None
    broker_url: str | None = None
    broker_listen: str | None = None
    rule_values: tuple[tuple[str, str, Any], ...] = ()
    without_credentials: bool = False

    def on(self, document: dict[str, Any]) -> dict[str, Any]:
        """Return the document with these values in place.

        Raises:
            ConfigError: a value is for a rule that the document does not have.
        """
        given = {
            ("service", "data_dir"): self.data_dir and str(self.data_dir.absolute()),
            ("web", "listen"): self.web_listen,
            ("broker", "url"): self.broker_url,
            ("broker", "listen"): self.broker_listen,
        }
        changed = dict(document)
        for (section, key), value in given.items():
            table = changed.get(section, {})
            if value is not None and isinstance(table, dict):
                changed[section] = table | {key: value}
        broker = changed.get("broker")
        if self.without_credentials and isinstance(broker, dict):
            changed["broker"] = {k: v for k, v in broker.items() if k != "credentials_file"}
        for rule, key, value in self.rule_values:
            changed["rule"] = _with_value(changed.get("rule"), rule, key, value)
        return changed


def parse_rule_value(text: str) -> tuple[str, str, Any]:
    """Return rule, key and value of `RULE.KEY=VALUE`; the value as TOML, else as plain text.

    Raises:
        ConfigError: it is not of that form.
    """
    place, equals, written = text.partition("=")
    rule, _, key = place.strip().rpartition(".")
    if not (rule and key and equals and written.strip()):
        raise ConfigError(f"--set {text}: write RULE.KEY=VALUE, as sump-high.deadband=12")
    try:
        value = tomllib.loads(f"value = {written}")["value"]
    except ValueError:
        value = written.strip()
    return rule, key, value


def _with_value(rules: Any, rule: str, key: str, value: Any) -> Any:
    tables = rules if isinstance(rules, list) else []
    ids = [_rule_id(table) for table in tables]
    if rule not in ids:
        known = [found for found in ids if isinstance(found, str)]
        raise ConfigError(
            f"--set {rule}.{key}: no [[rule]] of the file has the id {rule!r}."
            f" {did_you_mean(rule, known)}"
        )
    return [
        table | {key: value} if found == rule else table
        for table, found in zip(tables, ids, strict=True)
    ]


def _rule_id(table: Any) -> object:
    """Return a rule's id as it is written; one from the catalogue may leave it to its failure."""
    return table.get("id", table.get("from_catalogue")) if isinstance(table, dict) else None


def read_document(path: Path, cure: str = _USUAL_CURE) -> dict[str, Any]:
    """Return the file's tables; `cure`: what to do when there is no such file.

    Raises:
        ConfigError: there is no such file, it cannot be read, or it is not TOML.
    """
    try:
        text = path.read_bytes().decode("utf-8-sig")
    except FileNotFoundError:
        raise ConfigError(f"{path}: there is no such file. {cure}") from None
    except IsADirectoryError:
        raise ConfigError(f"{path}: is a folder. Name the file in it.") from None
    except UnicodeDecodeError as error:
        line = error.object[: error.start].count(b"\n") + 1
        raise ConfigError(f"{path}, line {line}: is not UTF-8 text. Save it as UTF-8.") from None
    except (OSError, ValueError) as error:
        reason = getattr(error, "strerror", None) or error
        raise ConfigError(f"{path}: cannot be read: {reason}.") from None
    return _parsed(text, path)


def _parsed(text: str, path: Path) -> dict[str, Any]:
    try:
        return tomllib.loads(text)
    except RecursionError:
        raise ConfigError(f"{path}: has too many brackets inside brackets.") from None
    except ValueError as error:
        raise ConfigError(_syntax_error(str(error), text, path)) from None


def _syntax_error(message: str, text: str, path: Path) -> str:
    found = _PLACE.search(message)
    what = _PLACE.sub("", message).rstrip(".")
    if found is None:
        return f"{path}: is not TOML: {what}."
    lines = text.splitlines() or [""]
    line = int(found[2]) if found[2] else len(lines)
    column = int(found[3]) if found[3] else len(lines[-1]) + 1
    shown = lines[line - 1].strip()[:60] if line <= len(lines) else ""
    near = f" Look at: {shown}" if shown and not _has_secret(shown) else ""
    return f"{path}, line {line}, column {column}: is not TOML: {what}.{near}"


def _has_secret(line: str) -> bool:
    return any(word in line.lower() for word in ("password", "secret", "token"))
