"""Home of the core and the log as one signed-in person may command them from the page."""

from collections.abc import Iterator, Mapping
from contextlib import AbstractContextManager
from dataclasses import replace
from typing import Any

from weirwatch.domain.errors import PermanentError
from weirwatch.pipeline.access import Role
from weirwatch.ports import Command, Core, LogKeeper
from weirwatch.web.access import Access
from weirwatch.web.rights import Identity


class _Signed:
    """One signed-in person's rights, looked at with each command: a page stays open for weeks."""

    def __init__(self, identity: Identity, access: Access | None) -> None:
        self._identity = identity
        self._access = access

    def permitted(self) -> Identity:
        """Return who it is.

        Raises:
            PermanentError: the token has ended, or its role only reads.
        """
        who = self._identity
        if self._access is not None and not self._access.still(who):
            raise PermanentError("your token has ended: load the page anew and sign in")
        if not who.role.covers(Role.OPERATE):
            raise PermanentError(f"the token {who.name!r} may only view")
        return who


class SignedCore:
    """Port `Core`; every command carries who and from where, and is refused without the right."""

    def __init__(self, core: Core, identity: Identity, access: Access | None) -> None:
        self._core = core
        self._signed = _Signed(identity, access)

    def command(self, command: Command) -> Mapping[str, Any]:
        """Carry out a command in this person's name.

        Raises:
            PermanentError: the token has ended, or its role only reads.
        """
        who = self._signed.permitted()
        return self._core.command(replace(command, who=who.name or command.who, remote=who.remote))

    def work(self, request: Mapping[str, Any]) -> Mapping[str, Any]:
        """Start or end planned work in this person's name.

        Raises:
            PermanentError: the token has ended, or its role only reads.
        """
        who = self._signed.permitted()
        signed = {"who": who.name} if who.name else {}
        return self._core.work({**request, **signed, "remote": who.remote})

    def health(self) -> Mapping[str, Any]:
        """Return the core's health document."""
        return self._core.health()

    def explain(self, rule: str) -> Mapping[str, Any]:
        """Return why the rule's alarm is in its state."""
        return self._core.explain(rule)

    def listen(self) -> AbstractContextManager[Iterator[Mapping[str, Any]]]:
        """Listen as the core lets everybody."""
        return self._core.listen()


class SignedKeeper:
    """Port `LogKeeper`; entries are signed with the token's name, and refused without the right."""

    def __init__(self, keeper: LogKeeper, identity: Identity, access: Access | None) -> None:
        self._keeper = keeper
        self._signed = _Signed(identity, access)

    def log(self, request: Mapping[str, Any]) -> Mapping[str, Any]:
        """Put entries into the log in this person's name.

        Raises:
            PermanentError: the token has ended, or its role only reads.
        """
        who = self._signed.permitted().name
        if not who:
            return self._keeper.log(request)
        entries = [{**entry, "who": who} for entry in request["entries"]]
        return self._keeper.log({**request, "entries": entries})
