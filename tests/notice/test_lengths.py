"""No way out gets more than its `longest`; what must be read is in what it gets."""

import email
import io
import json
from email import policy
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest
from support.bench_engine import rule
from support.receivers import http_receiver, smtp_receiver
from support.still_clock import NOON, HandClock

from weirwatch.config.catalogue import load_catalogue
from weirwatch.domain.alarm import Alarm
from weirwatch.domain.calls import Why
from weirwatch.domain.failures import FIRST_LINE
from weirwatch.notice.console import ConsoleNotifier
from weirwatch.notice.making import notifier_for
from weirwatch.pipeline.notice_text import Told, digest_text, fold_text, notice_text
from weirwatch.ports import Notice
from weirwatch.settings import RecipientSettings

LONGEST = (320, 1000)
ALARM = Alarm("high", raised_at=NOON, message="320 mm, at or above 310 mm °C")
RULE = rule(failure="sump-high", response="Look for a siphon. " * 20)
ZONE = ZoneInfo("Europe/Oslo")


def written(person: RecipientSettings) -> Notice:
    card = load_catalogue().failures["sump-high"].card
    told = Told(Why.CALL, RULE, ALARM, NOON, "Harbour Hall", card, ZONE, page="http://h.example/")
    return Notice("7-x", 7, person.id, NOON, notice_text(told, person), {"why": "call"})


@pytest.fixture(params=["console", "file", "webhook", "mail", "apprise"])
def sent(request: pytest.FixtureRequest, tmp_path: Path) -> dict[int, str]:
    """By `longest`, the text as the other side got it."""
    got: dict[int, str] = {}
    with http_receiver() as receiver, smtp_receiver() as (box, port):
        for longest in LONGEST:
            place = tmp_path / f"{longest}.jsonl"
            secrets = tmp_path / "push.toml"
            host = receiver.url.split("//")[1].split("/")[0]
            secrets.write_text(f'urls = ["json://{host}/"]\n')
            person = RecipientSettings(
                "x", request.param, path=place, url=receiver.url, host="127.0.0.1", port=port,
                tls="none", sender="w@hall.example", to="k@hall.example", longest=longest,
                secrets_file=secrets if request.param == "apprise" else None,
            )  # fmt: skip
            notice = written(person)
            assert len(notice.text) <= longest
            stream = io.StringIO()
            made = notifier_for(person, HandClock(), "/x")
            (ConsoleNotifier(stream) if request.param == "console" else made).send(notice)
            match request.param:
                case "console":
                    got[longest] = stream.getvalue().split("NOTICE 7-x\n")[1].split("\n───")[0]
                case "file":
                    got[longest] = json.loads(place.read_text())["text"]
                case "webhook":
                    got[longest] = json.loads(receiver.posted[-1].body)["data"]["text"]
                case "apprise":
                    pushed = json.loads(receiver.posted[-1].body)
                    got[longest] = f"{pushed['title']}\n{pushed['message']}"
                case _:
                    content = box.taken[-1].original_content or b""
                    message = email.message_from_bytes(content, policy=policy.default)
                    body = message.get_body()
                    assert body is not None
                    got[longest] = body.get_content().replace("\r\n", "\n").rstrip("\n")
                    assert message["Subject"] == notice.text.split("\n")[0]
            assert got[longest] == notice.text
    return got


def test_each_way_gets_what_fits_and_what_must_be_read(sent: dict[int, str]) -> None:
    for longest, text in sent.items():
        assert len(text) <= longest
        lines = text.split("\n")
        # Times in the keeper's zone: noon in UTC is two in the afternoon in Oslo in May.
        assert lines[0].startswith("MEDIUM: high (Harbour Hall): 320 mm")
        assert lines[0].endswith("since 14:00") or longest == 320
        assert FIRST_LINE in lines
        assert lines[-1] == "The whole card: http://h.example/#alarm=high"
    assert len(sent[1000]) > len(sent[320])


@pytest.mark.parametrize("longest", [320, 1000])
def test_digests_and_notices_in_one_fit_too(longest: int) -> None:
    person = RecipientSettings("x", "console", longest=longest)
    many = [(rule(f"r{n}"), Alarm(f"r{n}", raised_at=NOON)) for n in range(200)]
    digest = digest_text(many, ZONE, "http://h.example/", person)
    assert len(digest) <= longest
    assert digest.startswith("ALARM FLOOD: 200 more alarms")
    assert digest.endswith("All of them: http://h.example/")
    notices = [Notice(f"{n}-x", n, "x", NOON, f"LOW: number {n}\nmore", {}) for n in range(200)]
    folded = fold_text(notices, person)
    assert len(folded) <= longest
    assert folded.startswith("200 NOTICES IN ONE")
