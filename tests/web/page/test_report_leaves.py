"""The log and the upkeep as HTML: what comes from outside is escaped, what waits stands out."""

from typing import Any
from zoneinfo import ZoneInfo

from support.still_clock import NOON

from weirwatch.web.page import report_leaves

EVIL = "<img src=x onerror=alert(1)>"
OSLO = ZoneInfo("Europe/Oslo")


def entry(**more: Any) -> dict[str, Any]:
    return {
        "number": 7, "time": "2026-05-01T10:00:00Z", "kind": "test", "subject": "alkalinity",
        "value": 8.1316, "unit": "dKH", "given": "2.9 meq/L", "channel": None, "detail": {},
        "text": "", "who": None, "replaces": None, "photos": [], **more,
    }  # fmt: skip


def test_an_entry_says_what_is_kept_and_what_was_written() -> None:
    html = report_leaves.entry_html(entry(who="Kari", replaces=6), NOON, OSLO)
    assert "Hand test: Alkalinity 8.132 dKH (written 2.9 meq/L)" in html
    assert "by Kari · corrects entry 6" in html


def test_nothing_from_outside_gets_in() -> None:
    html = report_leaves.entry_html(entry(text=EVIL, who=EVIL, given=EVIL), NOON, OSLO)
    assert EVIL not in html
    assert html.count("&lt;img") == 3
    job = {
        "title": EVIL, "due_at": None, "every_days": 9, "last_by": EVIL, "state": "never-done",
        "where": EVIL, "instructions": EVIL,
    }  # fmt: skip
    assert EVIL not in report_leaves.job_html(job, NOON, OSLO)


def test_photos_are_shown_with_a_name() -> None:
    html = report_leaves.entry_html(entry(photos=[{"number": 3, "entry": 7}]), NOON, OSLO)
    assert 'src="/api/v1/log/photos/3"' in html
    assert 'alt="Photo 3 of entry 7"' in html


def test_what_runs_out_stands_out() -> None:
    supply = {
        "id": "gas", "title": EVIL, "unit": "kg", "left": 0.5, "state": "order-now", "where": "",
        "days_left": 10.0, "days_at_least": 8.0, "days_at_most": None, "per_day": 0.05,
        "per_day_error": 0.01, "lead_days": 14.0,
    }  # fmt: skip
    html = report_leaves.upkeep_html({"supplies": [supply], "calibrations": []})
    assert EVIL not in html
    assert 'class="ww-strong"' in html
    assert "10 days (at least 8)" in html
    assert "order now" in html


def test_probes_without_a_fact_are_not_listed() -> None:
    assert "Nothing is known" in report_leaves.probes_html({"probes": []})
