"""A test of notices from the command line: sent, waited for, and put on record."""

from collections.abc import Mapping, Sequence
from contextlib import closing
from dataclasses import replace
from threading import Event as Wait
from typing import Any

from weirwatch.cli.alarms import login
from weirwatch.cli.desk import Desk
from weirwatch.clock import SystemClock
from weirwatch.config.problems import did_you_mean
from weirwatch.control.client import ControlClient
from weirwatch.domain.alarm import Event
from weirwatch.domain.errors import ConfigError, TransientError, WeirwatchError
from weirwatch.notice.making import notifier_for
from weirwatch.pipeline.notice_desk import TEST, chosen
from weirwatch.pipeline.notice_text import trial_notice
from weirwatch.ports import Group, Notice
from weirwatch.store.lock import WriterLock
from weirwatch.store.sqlite_journal import SqliteJournal

LOOK_EVERY_S = 0.2
_DONE = ("delivered", "given-up", "expired")


def results_of(desk: Desk, recipient: str | None, wait_s: float) -> Sequence[Mapping[str, Any]]:
    """Send a test to one or to all; return for each whether the other side took it.

    Raises:
        ConfigError: there is no recipient of that id.
    """
    known = [person.id for person in desk.settings.recipients]
    if recipient is not None and recipient not in known:
        cure = did_you_mean(recipient, known)
        raise ConfigError(f"{desk.settings.source}: there is no recipient {recipient!r}. {cure}.")
    people = chosen(desk.settings, recipient)
    try:
        ids = _asked(desk, recipient)
    except TransientError:  # none runs
        return _straight(desk, people)
    return [_shown(name, ids[name], found) for name, found in _waited(desk, ids, wait_s).items()]


def _asked(desk: Desk, recipient: str | None) -> Mapping[str, str]:
    core = desk.core
    if not isinstance(core, ControlClient):
        raise TransientError("no service runs")
    answer = core.notices({"name": "test", "recipient": recipient, "who": login()})
    return {notice["recipient"]: notice["id"] for notice in answer["notices"]}


def _waited(desk: Desk, ids: Mapping[str, str], wait_s: float) -> Mapping[str, Notice | None]:
    """Return how each stands once all are done, or when the time is over."""
    pause, turns = Wait(), max(1, round(wait_s / LOOK_EVERY_S))
    found: dict[str, Notice | None] = dict.fromkeys(ids)
    for _ in range(turns):
        found = {name: desk.archive.notice(ident) for name, ident in ids.items()}
        if all(notice is not None and notice.state in _DONE for notice in found.values()):
            break
        pause.wait(LOOK_EVERY_S)
    return found


def _shown(name: str, ident: str, notice: Notice | None) -> Mapping[str, Any]:
    if notice is None:
        return _result(name, ident, "the service has not put it on record: look at its status")
    if notice.state == "delivered":
        return _result(name, ident, "")
    if notice.state == "pending":
        why = notice.last_error or "no answer yet"
        return _result(name, ident, f"not taken yet, will be tried again: {why}")
    return _result(name, ident, notice.last_error)


def _straight(desk: Desk, people: Sequence[str]) -> Sequence[Mapping[str, Any]]:
    clock, zone = SystemClock(), desk.settings.service.time_zone
    results, taken = [], []
    for person in desk.settings.recipients:
        if person.id not in people:
            continue
        notice = trial_notice(person.id, clock.now().utc, zone)
        try:
            with closing(notifier_for(person, clock, "/weirwatch/service")) as notifier:
                notifier.send(notice)
            taken.append(replace(notice, state="delivered", delivered_at=clock.now().utc))
            results.append(_result(person.id, notice.id, ""))
        except WeirwatchError as trouble:
            results.append(_result(person.id, notice.id, str(trouble)))
    _put_on_record(desk, taken)
    return results


def _put_on_record(desk: Desk, taken: Sequence[Notice]) -> None:
    """Write what arrived into the file, unless a service has just begun to use it."""
    if not taken:
        return
    try:
        lock = WriterLock(desk.settings.service.data_dir)
    except ConfigError:
        return
    with lock, closing(SqliteJournal(desk.file)) as journal:
        seq, now = journal.restore().next_seq, taken[-1].created
        names = ", ".join(notice.recipient for notice in taken)
        event = Event(time=now, kind=TEST, message=f"straight out by {login()}: to {names}")
        notices = [replace(notice, event_seq=seq) for notice in taken]
        journal.commit(Group(events=[(seq, event)], notices=notices, committed_at=now))


def _result(recipient: str, ident: str, error: str) -> Mapping[str, Any]:
    return {"recipient": recipient, "id": ident, "taken": not error, "error": error}
