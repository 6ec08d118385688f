"""Every error of Weirwatch: whose fault it is decides the type."""


class WeirwatchError(Exception):
    """Root of all errors that Weirwatch raises on purpose."""


class ConfigError(WeirwatchError):
    """The operator's file or command is wrong; nothing was started or changed.

    Attributes:
        problems: one sentence each: file, key, value and cure.
    """

    def __init__(self, problems: str | list[str]) -> None:
        self.problems = [problems] if isinstance(problems, str) else list(problems)
        super().__init__("\n".join(self.problems))


class BadPayload(WeirwatchError):  # noqa: N818 - the name says whose fault: the device's
    """A device sent something unusable: quarantine it, count it, go on."""


class IllegalCommand(WeirwatchError):  # noqa: N818 - says what happened
    """A command that the alarm's state does not allow; nothing was changed."""


class UnknownRule(WeirwatchError):  # noqa: N818 - says what happened
    """No rule has that id."""


class UnknownChannel(WeirwatchError):  # noqa: N818 - says what happened
    """Neither the configuration nor the history knows that channel."""


class UnknownFailure(WeirwatchError):  # noqa: N818 - says what happened
    """The failure catalogue has no failure of that id."""


class UnknownWork(WeirwatchError):  # noqa: N818 - says what happened
    """No planned work has that id."""


class UnknownSystem(WeirwatchError):  # noqa: N818 - says what happened
    """The configuration has no system of that id."""


class TransientError(WeirwatchError):
    """It may work later: retry with back-off and jitter.

    Attributes:
        retry_after_s: the other side asked not to be tried sooner; None: it did not say.
    """

    def __init__(self, message: str = "", retry_after_s: float | None = None) -> None:
        self.retry_after_s = retry_after_s
        super().__init__(message)


class PermanentError(WeirwatchError):
    """It will not work without a change: stop retrying and say so."""


class RefusedEntry(ConfigError):  # noqa: N818 - says what happened
    """An entry of the log that cannot be, or that nobody would believe unasked; nothing stored."""
