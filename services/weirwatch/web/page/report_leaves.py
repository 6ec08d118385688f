"""Home of the log, the upkeep and the reports as HTML on the page; everything is escaped here."""

from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from html import escape
from typing import Any
from zoneinfo import ZoneInfo

from weirwatch.domain.instant import Micros, from_rfc3339
from weirwatch.domain.wording import unit_words
from weirwatch.pipeline.probe_words import probe_facts
from weirwatch.pipeline.upkeep import supply_line
from weirwatch.web.page import words
from weirwatch.web.page.log_forms import TITLES, readable

Json = Mapping[str, Any]


def entry_html(entry: Json, now: Micros, zone: ZoneInfo) -> str:
    """Return one entry of the log with its photos."""
    when = words.moment_words(from_rfc3339(entry["time"]), now, zone)
    by = f"by {escape(entry['who'])}" if entry["who"] else ""
    fixed = f"corrects entry {entry['replaces']}" if entry["replaces"] else ""
    about = " · ".join(part for part in (f"no. {entry['number']}", by, fixed) if part)
    text = f"<p>{escape(entry['text'])}</p>" if entry["text"] else ""
    photos = "".join(_photo(photo) for photo in entry["photos"])
    return (
        f'<span class="ww-when">{escape(when)}</span><span class="ww-what">'
        f"<b>{escape(entry_words(entry))}</b> <span>{about}</span>{text}"
        f"{f'<span class=ww-photos>{photos}</span>' if photos else ''}</span>"
    )


def entry_words(entry: Json) -> str:
    """Return what an entry says, without its text: kind, subject, value as kept and as written."""
    kind = TITLES.get(entry["kind"], entry["kind"])
    if entry["kind"] == "calibration":
        detail = entry["detail"]
        reasons = "".join(f"; {reason}" for reason in detail.get("reasons", ()))
        return f"{kind} of {entry['channel']}: {detail.get('verdict', '')}{reasons}"
    if entry["kind"] == "proof":
        return f"Proof of {entry['channel']}: {entry['subject']}"
    subject = f": {readable(entry['subject'])}" if entry["subject"] else ""
    if entry["value"] is None:
        return f"{kind}{subject}"
    kept = f"{entry['value']:.4g} {unit_words(entry['unit'])}".strip()
    plain = f"{entry['value']:.4g} {entry['unit']}".strip()
    given = f" (written {entry['given']})" if entry["given"] not in ("", plain) else ""
    daily = " a day" if entry["detail"].get("daily") else ""
    return f"{kind}{subject} {kept}{given}{daily}"


def _photo(photo: Json) -> str:
    address = f"/api/v1/log/photos/{int(photo['number'])}"
    return (
        f'<a href="{address}" target="_blank"><img src="{address}" loading="lazy" '
        f'alt="Photo {int(photo["number"])} of entry {int(photo["entry"])}"></a>'
    )


def job_html(job: Json, now: Micros, zone: ZoneInfo) -> str:
    """Return a job with when it is due, where it is and what to do."""
    more = "".join(f"<p>{escape(text)}</p>" for text in (job["where"], job["instructions"]) if text)
    return f"<b>{escape(job['title'])}</b> <span>{escape(_job_words(job, now, zone))}</span>{more}"


def _job_words(job: Json, now: Micros, zone: ZoneInfo) -> str:
    if job["due_at"] is None:
        return f"every {job['every_days']:g} days; never done yet"
    due = words.moment_words(from_rfc3339(job["due_at"]), now, zone)
    by = f", last by {job['last_by']}" if job["last_by"] else ""
    word = {"overdue": "OVERDUE since", "due-soon": "due soon:", "done": "due"}[job["state"]]
    return f"{word} {due}{by}"


def told_apart(rows: Sequence[Json]) -> list[Json]:
    """Return rows of channels; two with the same title are told apart by their nodes."""
    often = Counter(row["title"] for row in rows)
    return [
        {**row, "title": f"{row['title']}, {row['channel'].split('/')[1]}"}
        if often[row["title"]] > 1
        else row
        for row in rows
    ]


def proof_html(proof: Json, now: Micros, zone: ZoneInfo) -> str:
    """Return a sensor with its last proof and when the next is due."""
    parts = [proof["sensor"], "never proved"]
    if proof["last_at"] is not None:
        last = words.moment_words(from_rfc3339(proof["last_at"]), now, zone)
        parts[1] = f"{proof['result']} {last}" + (f" by {proof['who']}" if proof["who"] else "")
        if proof["text"]:
            parts.append(proof["text"])
    if proof["overdue"]:
        parts.append("DUE")
    elif proof["due_at"] is not None:
        parts.append(f"due {words.moment_words(from_rfc3339(proof['due_at']), now, zone)}")
    return f"<b>{escape(proof['title'])}</b> <span>{escape(' · '.join(parts))}</span>"


def upkeep_html(report: Json) -> str:
    """Return supplies and calibrations."""
    supplies = [(_flagged(s["state"] in ("empty", "order-now")), supply_line(s), s["where"])
                for s in report["supplies"]]  # fmt: skip
    probes = [
        (
            _flagged(probe["due"]),
            f"{probe['title']}: calibrate every {probe['every_days']:g} days; "
            + ("never done" if probe["last_at"] is None else f"due {probe['due_at'][:10]}"),
            probe["channel"],
        )
        for probe in report["calibrations"]
        if probe["due"] or probe["last_at"] is not None
    ]
    return _list("Supplies", supplies) + _list("Calibrations", probes)


def _flagged(flag: bool) -> str:
    return "ww-strong" if flag else ""


def _list(heading: str, items: Sequence[tuple[str, str, str]]) -> str:
    if not items:
        return ""
    rows = "".join(
        f'<li class="{classes}"><span class="ww-what"><b>{escape(text)}</b>'
        f"{f' <span>{escape(more)}</span>' if more else ''}</span></li>"
        for classes, text, more in items
    )
    return f'<h3>{escape(heading)}</h3><ul class="ww-entries ww-plain">{rows}</ul>'


def probes_html(report: Json) -> str:
    """Return how far each probe can be believed."""
    rows = [
        (escape(probe["title"]), escape("; ".join(facts)))
        for probe in told_apart(report["probes"])
        if (facts := probe_facts(probe))
    ]
    if not rows:
        return '<p class="ww-nothing">Nothing is known of any probe yet.</p>'
    return f'<table class="ww-table">{"".join(_rows(rows))}</table>'


def _rows(rows: Sequence[tuple[str, str]]) -> Iterator[str]:
    for head, rest in rows:
        yield f'<tr><th scope="row">{head}</th><td>{rest}</td></tr>'
