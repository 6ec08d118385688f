"""Proof tests over HTTP: listed, put on record, refused."""

from pathlib import Path

import httpx
from support.web_world import made_world


def test_a_proof_is_put_on_record_and_no_longer_due(tmp_path: Path) -> None:
    with (
        made_world(tmp_path) as world,
        httpx.Client(base_url=f"http://127.0.0.1:{world.port}/api/v1") as client,
    ):
        before = client.get("/proofs").json()["items"]
        channel = before[0]["channel"]
        assert (before[0]["overdue"], before[0]["result"]) == (True, None)
        body = {"channel": channel, "result": "passed", "comment": "by hand"}
        answer = client.post("/proofs", json=body, headers={"operator": "keeper"})
        assert answer.status_code == 200, answer.text
        assert answer.json()["detail"] == {"sensor": before[0]["sensor"]}
        after = client.get("/proofs").json()["items"][0]
        assert (after["overdue"], after["result"], after["who"]) == (False, "passed", "keeper")
        refused = client.post("/proofs", json={**body, "channel": "hall/node/nothing"})
        assert refused.status_code == 409
        assert "whose sensor can be proved" in refused.text
