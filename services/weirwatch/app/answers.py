"""What the control socket hands to the loop, and waits for."""

from collections.abc import Callable, Mapping
from typing import Any

from weirwatch.domain.book import Book
from weirwatch.domain.errors import WeirwatchError
from weirwatch.domain.operator import Command
from weirwatch.pipeline.access_desk import AccessDesk
from weirwatch.pipeline.explain import explain
from weirwatch.pipeline.inbox import CommandRequest, Inbox, Question, answered, told
from weirwatch.pipeline.work_desk import answer_of, remote_of, request_from

COMMAND_WITHIN_S = 10.0
ANSWER_WITHIN_S = 4.0  # less than a client waits


def commander(inbox: Inbox, desk: AccessDesk) -> Callable[[Command], Mapping[str, Any]]:
    """Return what has a command carried out by the loop, and puts it into the audit."""

    def handle(command: Command) -> Mapping[str, Any]:
        request = CommandRequest(command)
        inbox.put(request)
        try:
            answer = answered(request, COMMAND_WITHIN_S)
        except WeirwatchError as error:
            desk.audit(command, str(error))
            raise
        desk.audit(command, "done")
        return answer

    return handle


def worker(inbox: Inbox, desk: AccessDesk) -> Callable[[object], Mapping[str, Any]]:
    """Return what has planned work started, ended or listed by the loop, and audits it."""

    def handle(data: object) -> Mapping[str, Any]:
        request, remote = request_from(data), remote_of(data)
        command = Command(f"work-{request.name}", request.work, request.who, remote=remote)
        try:
            answer = answer_of(request, inbox.put, COMMAND_WITHIN_S)
        except WeirwatchError as error:
            if request.name != "list":  # the page asks for it every few seconds
                desk.audit(command, str(error))
            raise
        if request.name != "list":
            desk.audit(command, "done")
        return answer

    return handle


def explainer(inbox: Inbox, book: Book) -> Callable[[str], Mapping[str, Any]]:
    """Return what asks the loop why an alarm is in its state."""

    def why(rule: str) -> Mapping[str, Any]:
        question = Question(lambda state, now: explain(state, book, rule, now))
        inbox.ask(question)
        return told(question, ANSWER_WITHIN_S)

    return why
