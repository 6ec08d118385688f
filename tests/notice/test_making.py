"""Notifiers made from settings and secrets; secrets show nowhere."""

import json
import logging
from pathlib import Path

import pytest
from support.receivers import NOTICE, http_receiver
from support.still_clock import HandClock

from weirwatch.domain.errors import ConfigError, TransientError
from weirwatch.notice.making import notifier_for
from weirwatch.settings import RecipientSettings


def refused(recipient: RecipientSettings) -> str:
    with pytest.raises(ConfigError) as raised:
        notifier_for(recipient, HandClock(), "/x")
    return str(raised.value)


def test_a_webhook_with_its_url_and_secret_from_a_file(tmp_path: Path) -> None:
    with http_receiver() as receiver:
        secrets = tmp_path / "secrets.toml"
        secrets.write_text(f'url = "{receiver.url}"\nsecret = "s3cr3t"\n')
        made = notifier_for(
            RecipientSettings("hook", "webhook", secrets_file=secrets), HandClock(), "/x"
        )
        made.send(NOTICE)
        made.close()
        assert "webhook-signature" in receiver.posted[0].headers


def test_secrets_from_the_environment(monkeypatch: pytest.MonkeyPatch) -> None:
    recipient = RecipientSettings("hook", "webhook", secrets_env="WEIRWATCH_HOOK")
    assert "secrets_env WEIRWATCH_HOOK: is not set" in refused(recipient)
    monkeypatch.setenv("WEIRWATCH_HOOK", 'url = "http://127.0.0.1:1/s3cr3t"')
    with pytest.raises(TransientError) as raised:
        notifier_for(recipient, HandClock(), "/x").send(NOTICE)
    assert "s3cr3t" not in str(raised.value)


@pytest.mark.parametrize(
    ("kind", "text", "told"),
    [
        ("webhook", 'url = "s3cr3t"', "url is no http or https address"),
        ("webhook", 'url = "http://s3cr3t:99999/"', "url is no http or https address"),
        ("webhook", 'url = "http://[s3cr3t/"', "url is no http or https address"),
        ("webhook", 'url = "http:///s3cr3t"', "url is no http or https address"),
        ("webhook", "url = s3cr3t", "not TOML"),
        ("webhook", "secret = 73163\n", "url is no http"),
        ("webhook", 'url = "http://h/"\nsecret = 73163\n', "secret among its secrets is not a te"),
        ("mail", "password = [73163]", "password among its secrets is not a text"),
        ("apprise", "urls = []", "its secrets hold no urls"),
        ("apprise", 'urls = "s3cr3t"', "its secrets hold no urls"),
        ("apprise", 'urls = ["s3cr3t://73163"]', "urls[1] among its secrets is not a URL"),
    ],
)
def test_secrets_that_cannot_be_used(tmp_path: Path, kind: str, text: str, told: str) -> None:
    secrets = tmp_path / "secrets.toml"
    secrets.write_text(text)
    sentence = refused(RecipientSettings("x", kind, secrets_file=secrets))  # type: ignore[arg-type]
    assert told in sentence
    assert "s3cr3t" not in sentence
    assert "73163" not in sentence


def test_a_secrets_file_that_is_not_there(tmp_path: Path) -> None:
    recipient = RecipientSettings("x", "webhook", secrets_file=tmp_path / "none.toml")
    assert "No such file" in refused(recipient)
    assert "ca_file" in refused(
        RecipientSettings("x", "mail", host="h", ca_file=tmp_path / "none.pem")
    )


def test_apprise_hands_the_notice_over(
    tmp_path: Path, caplog: pytest.LogCaptureFixture, capfd: pytest.CaptureFixture[str]
) -> None:
    caplog.set_level(logging.DEBUG)
    with http_receiver() as receiver:
        address = receiver.url.removeprefix("http://").replace("/alarm", "/s3cr3t-path")
        secrets = tmp_path / "secrets.toml"
        secrets.write_text(f'urls = ["json://{address}"]\n')
        recipient = RecipientSettings("push", "apprise", secrets_file=secrets)
        made = notifier_for(recipient, HandClock(), "/x")
        made.send(NOTICE)
        document = json.loads(receiver.posted[0].body)
        assert document["title"] == NOTICE.text.split("\n")[0]
        assert document["message"] == NOTICE.text.split("\n")[1]
        receiver.answers = [(500, {})]
        with pytest.raises(TransientError, match="not every service took it") as raised:
            made.send(NOTICE)
    shown = str(raised.value) + "".join(r.getMessage() for r in caplog.records if "weirw" in r.name)
    shown += "".join(capfd.readouterr())
    assert "s3cr3t" not in shown
    assert not [r for r in caplog.records if r.name == "apprise" and "s3cr3t" in r.getMessage()]
