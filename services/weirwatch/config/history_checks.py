"""Where the history is: what a server needs, and what the file does not."""

from collections.abc import Iterator

from weirwatch.config.draft import Draft
from weirwatch.config.problems import Problem

_OF_SERVERS = ("url", "query_url", "credentials_file")


def check_history(draft: Draft) -> Iterator[Problem]:
    """Yield what is wrong with `[history]`."""
    entry, history = draft.history, draft.history.config
    if not entry.whole("kind", *_OF_SERVERS):
        return
    if history.kind == "sqlite":
        for key in _OF_SERVERS:
            value = getattr(history, key)
            if value is not None:
                cure = 'Write kind = "victoriametrics", or leave it out'
                yield Problem(entry.at(key), "is of a history on a server", cure, value)
    elif history.url is None:
        cure = 'Write url = "http://127.0.0.1:8428"'
        yield Problem(entry.at("url"), f'is missing, and kind = "{history.kind}" needs it', cure)
    path = history.credentials_file
    if path is not None and not (draft.folder / path).is_file():
        cure = 'Write token = "…" into a file, readable by the service alone, and name it'
        yield Problem(entry.at("credentials_file"), "there is no such file", cure, path)
