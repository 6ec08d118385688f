"""From the words of `weirwatch log` to a request, to the core or the file, and to lines to read."""

import base64
import csv
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import typer

from weirwatch.cli.desk import Desk, print_json
from weirwatch.cli.time_range import parse_time
from weirwatch.clock import SystemClock
from weirwatch.config.problems import did_you_mean
from weirwatch.control.client import ControlClient
from weirwatch.domain.errors import ConfigError, RefusedEntry, TransientError
from weirwatch.domain.instant import to_rfc3339
from weirwatch.domain.keeper_log import KINDS, LogEntry
from weirwatch.domain.wording import counted
from weirwatch.pipeline.local_time import local_time
from weirwatch.pipeline.log_desk import MOST_AT_ONCE, LogDesk
from weirwatch.pipeline.log_entries import entry_json
from weirwatch.pipeline.photos import MOST_BYTES
from weirwatch.store.lock import WriterLock
from weirwatch.store.log_book import LogBook
from weirwatch.store.sqlite_journal import SqliteJournal

_NUMBERS = ("value", "strength_g_l", "effluent_dkh", "before", "temperature_degc")
_FLAGS = ("daily", "sure")
_TEXTS = ("kind", "time", "system", "subject", "unit", "text", "who")
_PAGE = 1000


def request_of(
    desk: Desk,
    kind: str,
    words: Sequence[str],
    options: Mapping[str, Any],
    time: str | None,
    fresh: Sequence[str],
) -> dict[str, Any]:
    """Return the request that the words and options of `log add` stand for.

    Raises:
        RefusedEntry: the words are not those of the kind.
    """
    if options.get("subject") and kind != "maintenance":
        raise RefusedEntry(f"--job is of maintenance, not of {kind}")
    request: dict[str, Any] = {"kind": kind, **options}
    request |= _by_kind(kind, words)
    if not request.get("text"):
        request["text"] = options["text"]
    if time is not None:
        request["time"] = to_rfc3339(parse_time("--time", time, desk.now()))
    if fresh:
        request["fresh"] = dict(_pair("--fresh", text) for text in fresh)
    return request


def put(
    desk: Desk,
    requests: Sequence[Mapping[str, Any]],
    *,
    as_json: bool,
    check: bool = False,
    many: bool = False,
) -> None:
    """Store all of them or none: through the core if it runs, else under the writer lock.

    Raises:
        RefusedEntry: with a sentence for each that cannot be; lines of a file count from 2.
    """
    if not requests:
        raise RefusedEntry("there is no entry in the file")
    if len(requests) > MOST_AT_ONCE:
        raise RefusedEntry(f"{len(requests)} entries: import at most {MOST_AT_ONCE} at once")
    try:
        answer = store_entries(desk, {"entries": [*requests], "check": check})
    except RefusedEntry as refusal:
        if many:
            raise RefusedEntry([_with_line(p) for p in refusal.problems]) from refusal
        raise
    entries = answer["entries"]
    if as_json:
        print_json({"items": entries, "next": None} if many else entries[0])
    elif check:
        typer.echo(f"{_entries(entries)}, all well. Nothing was stored.")
    elif many:
        typer.echo(f"{_entries(entries)} stored.")
    else:
        typer.echo(f"Entry {entries[0]['number']}: {_said(entries[0])}")


def _entries(entries: Sequence[Any]) -> str:
    return counted(len(entries), "entry", "entries")


def put_photo(desk: Desk, number: int, file: Path, who: str, *, as_json: bool) -> None:
    """Put a picture to an entry.

    Raises:
        RefusedEntry: there is no such entry or file, or it is no picture.
    """
    try:
        size = file.stat().st_size
        if size > MOST_BYTES:
            raise RefusedEntry(
                f"{file}: {size} bytes; a photo has at most {MOST_BYTES}: shrink it to 1600 pixels"
            )
        data = base64.b64encode(file.read_bytes()).decode()
    except OSError as error:
        raise RefusedEntry(f"{file}: cannot be read: {error.strerror}") from error
    photo = store_entries(desk, {"photo": {"entry": number, "data": data, "who": who}})["photo"]
    if as_json:
        print_json(photo)
    else:
        typer.echo(f"Photo {photo['number']} of entry {number}: {photo['bytes']} bytes")


def print_log(
    desk: Desk,
    kinds: Sequence[str],
    start: str | None,
    end: str | None,
    *,
    every: bool,
    as_json: bool,
) -> None:
    """Print the log.

    Raises:
        RefusedEntry: no entry is of such a kind.
        ConfigError: a time that cannot be read.
    """
    for kind in kinds:
        if kind not in KINDS:
            raise RefusedEntry(f"--kind {kind}: is no kind of entry. {did_you_mean(kind, KINDS)}")
    now = desk.now()
    ends = None if end is None else parse_time("--to", end, now)
    begins = None if start is None else parse_time("--from", start, ends or now)
    entries: list[LogEntry] = []
    after = 0
    while more := desk.archive.log(begins, ends, kinds, after, _PAGE):
        entries.extend(more)
        after = more[-1].number
    shown = [entry for entry in entries if every or entry.replaced_by is None]
    shown.sort(key=lambda entry: (entry.time, entry.number))
    if as_json:
        print_json({"items": [entry_json(entry) for entry in shown], "next": None})
        return
    if not shown:
        asked = bool(kinds) or start is not None or end is not None
        typer.echo(f"Nothing {'of that ' if asked else ''}is in the log.")
    for entry in shown:
        time = local_time(entry.time, desk.settings.service.time_zone)
        corrected = f" (corrected by {entry.replaced_by})" if entry.replaced_by else ""
        typer.echo(f"{entry.number:>5}  {time}  {_said(entry_json(entry))}{corrected}")


def read_csv(file: Path) -> list[dict[str, Any]]:
    """Return the requests of a CSV file with a header.

    Raises:
        RefusedEntry: there is no such file, the header has unknown columns, or lines whose
            numbers are none.
    """
    try:
        with file.open(encoding="utf-8-sig", newline="") as stream:
            reader = csv.DictReader(stream, restkey="beyond the last column", strict=True)
            columns = reader.fieldnames or []  # read while the file is open: it may be all there is
            lines = list(reader)
    except OSError as error:
        raise RefusedEntry(f"{file}: cannot be read: {error.strerror}") from error
    except (csv.Error, UnicodeDecodeError) as error:
        raise RefusedEntry(f"{file}: is not CSV in UTF-8: {error}") from error
    unknown = [name for name in columns if name not in (*_TEXTS, *_NUMBERS, *_FLAGS)]
    if unknown or "kind" not in columns or "time" not in columns:
        wanted = ", ".join((*_TEXTS, *_NUMBERS, *_FLAGS))
        problem = f"unknown columns {', '.join(unknown)}" if unknown else "kind or time is missing"
        raise RefusedEntry(f"{file}: {problem}; the first line names columns out of {wanted}")
    problems: list[str] = []
    requests = []
    for number, line in enumerate(lines, start=2):
        try:
            requests.append(_request(line))
        except ValueError as error:
            problems.append(f"line {number}: {error}")
    if problems:
        raise RefusedEntry(problems)
    return requests


def _request(line: Mapping[str, Any]) -> dict[str, Any]:
    if "beyond the last column" in line or None in line.values():
        raise ValueError("has more or fewer fields than the first line")
    request: dict[str, Any] = {key: line[key].strip() for key in _TEXTS if line.get(key)}
    for key in _NUMBERS:
        if line.get(key, "").strip():
            request[key] = _number(key, line[key])
    for key in _FLAGS:
        if line.get(key, "").strip():
            request[key] = line[key].strip().lower() in ("1", "true", "yes")
    if not request.get("time"):
        raise ValueError("has no time")
    return {"kind": "", **request}


def store_entries(desk: Desk, request: Mapping[str, Any]) -> Mapping[str, Any]:
    """Carry out a request about the log: by the core while it runs, else by ourselves."""
    folder = desk.settings.service.data_dir
    try:
        lock = WriterLock(folder)
    except ConfigError as held:
        core = desk.core
        if not isinstance(core, ControlClient):
            raise
        try:
            return core.log(request)
        except TransientError as silent:
            raise TransientError(f"{held} {silent}") from silent
    with lock:
        SqliteJournal(desk.file).close()  # makes the file, or brings it up to date
        book = LogBook(desk.file)
        try:
            return LogDesk(book, desk.settings, SystemClock()).handle(request)
        finally:
            book.close()


def _by_kind(kind: str, words: Sequence[str]) -> dict[str, Any]:
    match kind, list(words):
        case (("test" | "dose" | "supply"), [subject, *rest]) if rest:
            return {"subject": subject, **_amount(rest)}
        case (("reactor" | "water-change"), rest) if rest:
            return _amount(rest)
        case "calibration", [channel, *points]:
            return {"channel": channel, "points": [_point(text) for text in points]}
        case (("maintenance" | "note"), rest):
            return {"text": " ".join(rest)}
        case _:
            pass
    raise RefusedEntry(
        f"{' '.join((kind, *words))}: write, as in: test alkalinity 8.2 dKH | dose sodium-carbonate"
        " 40 g | reactor 40 mL/min | water-change 200 L | supply gas-bottle 4.2 kg"
        ' | maintenance "…" | note "…" | calibration CHANNEL 7.00=7.08'
    )


def _amount(words: Sequence[str]) -> dict[str, Any]:
    try:
        return {"value": _number("value", words[0]), "unit": " ".join(words[1:])}
    except ValueError as error:
        raise RefusedEntry(str(error)) from error


def _point(text: str) -> list[float]:
    known, shown = _pair("point", text)
    try:
        return [_number("known", known), shown]
    except ValueError as error:
        raise RefusedEntry(str(error)) from error


def _pair(what: str, text: str) -> tuple[str, float]:
    name, equals, value = text.partition("=")
    try:
        if not equals:
            raise ValueError("it has no =")  # noqa: TRY301 - one way to say it
        return name, _number("value", value)
    except ValueError as error:
        raise RefusedEntry(f"{what} {text!r}: {error}") from error


def _number(name: str, text: str) -> float:
    try:
        return float(text.strip().replace(",", "."))
    except ValueError:
        raise ValueError(f"{name} {text!r} is not a number") from None


def _with_line(problem: str) -> str:
    before, colon, rest = problem.partition(": ")
    number = before.removeprefix("entry ")
    if colon and number.isdigit() and before != number:
        return f"line {int(number) + 1}: {rest}"
    return problem


def _said(entry: Mapping[str, Any]) -> str:
    about = (entry["channel"], entry["subject"])  # a proof has both: which sensor, what came of it
    parts = [entry["kind"], *(word for word in about if word)]
    if entry["value"] is not None:
        kept = f"{entry['value']:.4g} {entry['unit']}".strip()
        given = "" if entry["given"] in ("", kept) else f" (as {entry['given']})"
        parts.append(kept + given)
        parts.append("a day" if entry["detail"].get("daily") else "")
    if entry["kind"] == "calibration":
        detail = entry["detail"]
        sign = "+" if detail["shift"] >= 0 else "\N{MINUS SIGN}"
        line = f"× {detail['gain']:.5g} {sign} {abs(detail['shift']):.5g}"
        parts.append(f"{line}: {detail['verdict']}")
        parts.extend(detail["reasons"])
    parts.append(entry["text"])
    if entry["photos"]:
        parts.append(f"[{counted(len(entry['photos']), 'photo')}]")
    return " ".join(part for part in parts if part)
