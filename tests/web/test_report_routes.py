"""Reports over HTTP, as the document describes them."""

import httpx
import pytest
from support.web_harbour import HIGH, NOON, WET, Harbour, raised

from weirwatch.domain.instant import SECOND, to_rfc3339
from weirwatch.web import report_schemas


def test_the_alarm_report_counts_what_is_on_record(api: httpx.Client) -> None:
    answer = api.get("reports/alarms")
    assert answer.status_code == 200, answer.text
    report = answer.json()
    report_schemas.AlarmReport.model_validate_json(answer.content)
    assert (report["days"], report["annunciations"]) == (30.0, 30)
    assert [flood["annunciations"] for flood in report["alarm_floods"]] == [30]
    assert [c["rule"] for c in report["chattering"]] == [HIGH.id]
    assert report["bad_actors"][0]["share"] == 1.0
    assert [s["rule"] for s in report["silenced"]] == [WET.id]
    met = {metric["id"]: metric["met"] for metric in report["metrics"]}
    assert met["per-10-min-average"] is True
    assert met["per-10-min-peak"] is False
    assert met["per-day-peak"] is None
    assert {"longest-active", "re-alarms-peak", "rules-changed", "shelved"} <= met.keys()
    assert met["unauthorised-suppression"] in (True, False)


def test_the_range_is_the_callers_and_never_beyond_now(api: httpx.Client) -> None:
    begins = to_rfc3339(NOON - 30 * SECOND)
    report = api.get("reports/alarms", params={"from": begins, "to": "9999-01-01T00:00:00Z"}).json()
    assert (report["from"], report["to"]) == (begins, to_rfc3339(NOON))
    assert report["annunciations"] == 0
    empty = api.get("reports/alarms", params={"from": begins, "to": begins}).json()
    assert (empty["days"], empty["annunciations"]) == (0.0, 0)
    assert api.get("reports/alarms", params={"form": begins}).status_code == 400


@pytest.mark.usefixtures("fresh_world")
def test_many_events_are_read_page_by_page(api: httpx.Client, harbour: Harbour) -> None:
    harbour.add_events(*(raised(n) for n in range(2500)))
    assert api.get("reports/alarms").json()["annunciations"] == 2530
