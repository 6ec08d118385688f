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


def test_the_dose_of_a_pump_is_one_a_day() -> None:
    pump = entry(kind="dose", value=0.3, given="0.3 dKH", detail={"daily": True})
    assert report_leaves.entry_words(pump) == "Dose: Alkalinity 0.3 dKH a day"
    assert "a day" not in report_leaves.entry_words(entry(kind="dose", detail={"daily": False}))


def test_a_proof_names_its_sensor_and_a_job_is_readable() -> None:
    made = {"value": None, "unit": "", "given": ""}
    proved = entry(kind="proof", subject="passed", channel="hall/node/leak", **made)
    assert report_leaves.entry_words(proved) == "Proof of hall/node/leak: passed"
    for job, said in (("uv-lamp", "UV lamp"), ("rcd-test", "RCD test"), ("ph", "pH")):
        done = entry(kind="maintenance", subject=job, **made)
        assert report_leaves.entry_words(done) == f"Maintenance: {said}"


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


def proof(**more: Any) -> dict[str, Any]:
    return {
        "channel": "hall/node/leak", "title": "Floor", "sensor": "leak", "last_at": None,
        "result": None, "who": None, "text": "", "due_at": None, "overdue": True, **more,
    }  # fmt: skip


def test_a_proof_says_what_came_of_it_and_when_the_next_is_due() -> None:
    assert "leak · never proved · DUE" in report_leaves.proof_html(proof(), NOON, OSLO)
    done = proof(
        last_at="2025-04-30T08:00:00Z", result="passed", who=EVIL, text="dry to wet",
        due_at="2025-07-29T08:00:00Z", overdue=False,
    )  # fmt: skip
    html = report_leaves.proof_html(done, NOON, OSLO)
    assert EVIL not in html
    assert "dry to wet · due Tue 29 Jul 2025 10:00" in html


def test_two_sensors_of_one_title_are_told_apart_by_their_nodes() -> None:
    rows = [proof(channel="hall/sump-node/level", title="Sump level"),
            proof(channel="hall/power-node/level", title="Sump level"), proof()]  # fmt: skip
    titles = [row["title"] for row in report_leaves.told_apart(rows)]
    assert titles == ["Sump level, sump-node", "Sump level, power-node", "Floor"]
    facts: dict[str, Any] = {
        "calibrated_at": None, "reasons": [], "slope_percent": None, "days_left": None,
        "tests_differ": None, "twin_differs": None, "noise": 1.0, "noise_then": None,
        "received": None, "empty_hours": 0, "unit": "mm",
    }  # fmt: skip
    html = report_leaves.probes_html({"probes": [{**row, **facts} for row in rows]})
    assert "Sump level, power-node" in html
