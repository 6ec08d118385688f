"""What does one reading do? One thread: drain, decode, judge, decide, commit, acknowledge.

Decisions are made at once on the engine's working state; readings, events, changed alarms and
notices of a group are committed in one transaction; only then are messages acknowledged and
anything told to anybody. A group whose commit fails is kept as decided and tried again: deciding
the same stimuli from the same state once more would give the same group.
"""

import logging
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace

from weirwatch.domain.book import Book
from weirwatch.domain.engine import (
    CommandGiven,
    ConditionObserved,
    LinkChanged,
    adopt,
    decide,
    decide_reading,
    due,
    may_move,
    next_call,
)
from weirwatch.domain.errors import IllegalCommand, TransientError, UnknownRule
from weirwatch.domain.instant import SECOND, Micros
from weirwatch.domain.keeper_log import Correction, correction_at
from weirwatch.domain.liveness import judge
from weirwatch.domain.reading import Reading
from weirwatch.domain.state import Decision, EngineState
from weirwatch.pipeline.counters import Counters
from weirwatch.pipeline.derive import Deriver
from weirwatch.pipeline.group import GroupBuilder
from weirwatch.pipeline.inbox import (
    CalibrationRequest,
    CommandRequest,
    ConditionRequest,
    HandTestRequest,
    Inbox,
    Item,
    LinkRequest,
    Question,
    Request,
    ServiceEventRequest,
)
from weirwatch.pipeline.past import PastRequest
from weirwatch.pipeline.timekeeper import Timekeeper
from weirwatch.pipeline.work_desk import WorkDesk, WorkRequest
from weirwatch.ports import Clock, Decoder, Group, Journal, NodeState, Transport, WireMessage

log = logging.getLogger(__name__)

BATCH = 200  # items between two looks at deadlines and commits: bounds an alarm's wait
ALIVE_EVERY: Micros = 30 * SECOND
DISK_EVERY: Micros = 60 * SECOND
TEND_EVERY: Micros = SECOND  # real; looking after the file never takes much of any second
TEND_S = 0.02
RETRY_FIRST: Micros = SECOND // 2
RETRY_LONGEST: Micros = 30 * SECOND


@dataclass(frozen=True, slots=True)
class LoopParts:
    """What the loop joins.

    Attributes:
        offline_rules: node (`system/node`) → id of its node-offline rule.
        nodes: what each node last said of its connection.
        commit_every: real span since the oldest un-acked message.
        commit_unacked: messages waiting that force a commit.
        told: is handed each group after its commit; must not block.
        disk_trouble: returns a sentence when the data folder's disk is nearly full, else None.
        deriver: computes derived channels; None: there are none.
        works: planned work; None: there is none.
        corrections: of calibrated channels, oldest first.
    """

    book: Book
    state: EngineState
    journal: Journal
    decoder: Decoder
    transport: Transport
    clock: Clock
    timekeeper: Timekeeper
    builder: GroupBuilder
    inbox: Inbox
    counters: Counters
    offline_rules: Mapping[str, str]
    nodes: Mapping[str, NodeState]
    commit_every: Micros
    commit_unacked: int
    told: Callable[[Group], None]
    disk_trouble: Callable[[], str | None] = lambda: None
    deriver: Deriver | None = None
    works: WorkDesk | None = None
    corrections: Mapping[str, tuple[Correction, ...]] = field(default_factory=dict)


class Loop:
    """The core's only writer. `run` is its thread; the inbox is for all others."""

    def __init__(self, parts: LoopParts) -> None:
        self._book = parts.book
        self._state = parts.state
        self._journal = parts.journal
        self._decoder = parts.decoder
        self._transport = parts.transport
        self._clock = parts.clock
        self._time = parts.timekeeper
        self._builder = parts.builder
        self._inbox = parts.inbox
        self._counters = parts.counters
        self._offline_rules = parts.offline_rules
        self._nodes = dict(parts.nodes)
        self._commit_every = parts.commit_every
        self._commit_unacked = parts.commit_unacked
        self._told = parts.told
        self._deriver = parts.deriver
        self._works = parts.works
        self._corrections = dict(parts.corrections)
        self._leads = parts.deriver.leads if parts.deriver is not None else {}
        self._disk_trouble = parts.disk_trouble
        self._disk_at: Micros | None = None
        self._waiting: list[WireMessage] = []
        self._oldest: Micros | None = None
        self._answers: list[CommandRequest] = []
        self._retry_at: Micros | None = None
        self._retry_span = RETRY_FIRST
        self._alive_at = self._clock.real_mono()
        self._tended_at = self._alive_at
        self._trusted: bool | None = None  # not yet asked in this run
        self._stopping = False

    # --- the thread -------------------------------------------------------------------------

    def run(self) -> None:
        """Turn until `stop`; then commit what is there and return."""
        while not self._stopping:
            self.turn_once()
            self._tend()
            # What arrives while a commit is tried again is not taken: no reason to turn for it.
            self._inbox.wait(self._patience(), for_items=self._retry_at is None)
        self._last_commit()

    def stop(self) -> None:
        """Ask the loop to end after its present turn; from any thread."""
        self._stopping = True
        self._inbox.wake()

    def turn_once(self) -> None:
        """Take what is in the inbox, let deadlines come due, commit if it is time."""
        if self._trusted is None:  # the first turn: what ended before this start comes first
            self._pass_deadlines(self._state.started_at - 1)
        now = self._time.now()
        self._watch_clock(now)
        self._watch_disk(now)
        for question in self._inbox.questions():
            self._answer(question, now)
        if self._retry_at is None:
            for item in self._inbox.drain(BATCH):
                self._take(item, now)
            now = self._time.now()
            self._watch_steps(now)
            self._pass_deadlines(now)
            if self._works is not None:
                self._works.pass_time(now)
            self._builder.pass_calls(now)
        if self._commit_due():
            self._commit()
        self._counters.turned_at = self._clock.real_mono()

    def _tend(self) -> None:
        """Let the journal look after its file for a moment, once a second."""
        mono = self._clock.real_mono()
        if self._retry_at is None and mono - self._tended_at >= TEND_EVERY:
            self._tended_at = mono
            self._journal.maintain(self._time.now(), TEND_S)

    # --- stimuli ----------------------------------------------------------------------------

    def _take(self, item: Item, now: Micros) -> None:
        if isinstance(item, WireMessage):
            self._message(item, now)
        elif isinstance(item, PastRequest):
            item.carry_out(self._journal, now)
        else:
            self._do(item, now)

    def _do(self, item: Request, now: Micros) -> None:
        match item:
            case CommandRequest():
                self._command(item, now)
            case ConditionRequest(rule, message):
                self._condition(rule, message, now)
            case LinkRequest(up):
                self._link(up, now)
            case ServiceEventRequest(kind, message, write, drill):
                self._builder.written(now, kind, message, write, drill=drill)
            case WorkRequest():
                if self._works is not None:
                    self._works.take(item, now)
            case HandTestRequest() | CalibrationRequest():
                self._logged(item, now)

    def _logged(self, item: HandTestRequest | CalibrationRequest, now: Micros) -> None:
        """Take over what the keeper's log has of late."""
        match item:
            case HandTestRequest(tests):
                if self._deriver is not None:
                    self._deriver.tell(tests)
            case CalibrationRequest(channel, new):
                self._corrections[channel] = (*self._corrections.get(channel, ()), new)
                told = f"{channel}: × {new.gain:.6g} + {new.shift:.6g}"
                self._builder.service_event(now, "calibrated", told)

    def _answer(self, question: Question, now: Micros) -> None:
        try:
            question.answer.set_result(question.ask(self._state, now))
        except Exception as failure:  # noqa: BLE001 - whatever it is, the asker is told
            question.answer.set_exception(failure)

    def _message(self, message: WireMessage, now: Micros) -> None:
        trusted = self._time.trusted
        if not trusted:  # arrival, too, is told by the engine's clock then
            message = replace(message, received=now)
        decoded = self._decoder.decode(message, now)
        for reading in decoded.readings:
            self._reading(reading, now, time_doubted=not trusted and reading.time == now)
        if decoded.node is not None:
            undated = message.retained and decoded.node.since == message.received
            self._node(decoded.node, now, undated=undated)
        if decoded.quarantined:
            self._builder.quarantine(decoded.quarantined)
            self._counters.quarantined += len(decoded.quarantined)
        self._counters.messages += 1
        self._waiting.append(message)
        self._oldest = self._clock.real_mono() if self._oldest is None else self._oldest

    def _reading(self, reading: Reading, now: Micros, *, time_doubted: bool = False) -> None:
        channel = self._book.channels[reading.channel]
        if reading.channel in self._corrections:
            reading = self._corrected(reading)
        node = self._nodes.get(f"{channel.system}/{channel.node}") if channel.warm_up else None
        works = self._works
        judged = judge(
            channel,
            reading,
            powered_since=node.since if node and node.connected else None,
            before=self._state.observed.get(reading.channel),
            calibrating=works is not None and works.calibrates(reading.channel, reading.time),
            time_doubted=time_doubted,
        )
        self._adopt(decide_reading(self._state, judged, now, self._book))
        self._builder.reading(judged)
        self._counters.readings += 1
        if reading.channel in self._leads and self._deriver is not None:
            for derived in self._deriver.readings(judged, self._state.observed):
                self._reading(derived, now)

    def _corrected(self, reading: Reading) -> Reading:
        correction = correction_at(self._corrections[reading.channel], reading.time)
        if correction is None:
            return reading
        return reading._replace(value=correction.apply(reading.value))

    def _node(self, node: NodeState, now: Micros, *, undated: bool) -> None:
        known = self._nodes.get(node.node)
        if undated and known is not None and known.connected is node.connected:
            node = replace(node, since=known.since)  # the broker repeats it at each connection
        if known == node:
            return
        self._nodes[node.node] = node
        self._builder.node(node)
        rule = self._offline_rules.get(node.node)
        if rule is not None:
            self._condition(rule, None if node.connected else offline_sentence(node.node), now)

    def _link(self, up: bool, now: Micros) -> None:
        if up is not (self._state.link_up_at is not None):
            kind = "broker-connected" if up else "broker-disconnected"
            self._builder.service_event(now, kind, "")
        self._adopt(decide(self._state, LinkChanged(up, now), self._book))
        self._condition("broker-lost", None if up else "no connection to the broker", now)

    def _condition(self, rule: str, message: str | None, now: Micros) -> None:
        if rule not in self._book.entries:
            return
        if may_move(self._state, rule, message):
            self._adopt(decide(self._state, ConditionObserved(rule, message, now), self._book))

    def _command(self, request: CommandRequest, now: Micros) -> None:
        try:
            decision = decide(self._state, CommandGiven(request.command, now), self._book)
        except (IllegalCommand, UnknownRule) as refusal:
            self._counters.commands_refused += 1
            request.answer.set_exception(refusal)
            return
        self._adopt(decision)
        self._answers.append(request)

    def _pass_deadlines(self, now: Micros) -> None:
        for stimulus in due(self._state, self._book, now):
            self._adopt(decide(self._state, stimulus, self._book))

    def _watch_clock(self, now: Micros) -> None:
        self._decoder.trust_clock = trusted = self._time.trusted
        if trusted is self._trusted:
            return
        self._trusted = trusted
        behind = f"the clock is {self._time.behind // SECOND} s behind what was last committed"
        self._condition("clock-untrusted", None if trusted else behind, now)

    def _watch_steps(self, now: Micros) -> None:
        """Count silence anew when time has jumped: no probe was silent in a span that was not."""
        span = self._time.set_forward()
        if span:
            told = f"the clock was set forward, or the machine slept: by {span // SECOND} s"
            self._builder.service_event(now, "clock-set-forward", told)
        if span and self._state.link_up_at is not None:
            self._adopt(decide(self._state, LinkChanged(True, now), self._book))

    def _watch_disk(self, now: Micros) -> None:
        mono = self._clock.real_mono()
        if self._disk_at is None or mono - self._disk_at >= DISK_EVERY:
            self._disk_at = mono
            self._condition("disk-full", self._disk_trouble(), now)

    def _adopt(self, decision: Decision) -> None:
        adopt(self._state, decision, self._book)
        if decision.alarms or decision.events:
            self._builder.decision(decision)

    # --- committing -------------------------------------------------------------------------

    def _commit_due(self) -> bool:
        mono = self._clock.real_mono()
        if self._retry_at is not None:
            return mono >= self._retry_at
        if self._builder.urgent or self._answers or len(self._waiting) >= self._commit_unacked:
            return True
        if self._oldest is not None:
            return mono - self._oldest >= self._commit_every
        if self._builder.empty:
            return mono - self._alive_at >= ALIVE_EVERY
        return True

    def _commit(self) -> None:
        now = self._time.now()
        group = self._builder.group(now)
        started = self._clock.real_mono()
        try:
            duplicates = self._journal.commit(group)
        except TransientError as trouble:
            self._try_again(trouble)
            return
        self._retry_at, self._retry_span = None, RETRY_FIRST
        self._counters.committed(duplicates, self._clock.real_mono() - started, now)
        self._alive_at = self._clock.real_mono()
        messages, self._waiting, self._oldest = self._waiting, [], None
        answers, self._answers = self._answers, []
        self._builder.clear()
        self._transport.ack(messages)
        for request in answers:
            request.answer.set_result(self._builder.alarm_json(request.command.rule))
        if self._works is not None:
            self._works.committed()
        self._told(group)

    def _try_again(self, trouble: TransientError) -> None:
        self._counters.commit_failures += 1
        self._counters.last_commit_error = str(trouble)
        self._retry_at = self._clock.real_mono() + self._retry_span
        log.error("commit.failed retry_s=%.1f error=%s", self._retry_span / SECOND, trouble)
        self._retry_span = min(2 * self._retry_span, RETRY_LONGEST)

    def _last_commit(self) -> None:
        if self._retry_at is None:
            for item in self._inbox.drain(len(self._inbox)):
                self._take(item, self._time.now())
        self._commit()
        if self._retry_at is None:
            try:
                self._journal.mark_stopped(self._time.now())
            except TransientError as trouble:  # all is durable; the next start calls it lost
                log.warning("stop.not_marked error=%s", trouble)

    def _patience(self) -> float:
        """Return real seconds until something is due, at most one."""
        mono = self._clock.real_mono()
        ends = [mono + SECOND]
        if self._retry_at is not None:
            ends.append(self._retry_at)
        elif self._oldest is not None:
            ends.append(self._oldest + self._commit_every)
        work = None if self._works is None else self._works.next_call()
        for call in (next_call(self._state), self._builder.next_call(), work):
            if call is not None and self._retry_at is None:
                ends.append(mono + round((call - self._time.now()) / self._clock.speed))
        return max(0.0, (min(ends) - mono) / SECOND)


def offline_sentence(node: str) -> str:
    """Return the message of a node-offline alarm."""
    return f"node {node} has lost its connection; its channels are blind"
