"""Where the history is: what a server needs, and what the file does not."""

from collections.abc import Iterator

from weirwatch.config.draft import Draft
from weirwatch.config.problems import Problem

_OF_SERVERS = ("url", "query_url", "org", "bucket", "credentials_file")
_NEEDED = {  # key and cure
    "victoriametrics": {"url": 'Write url = "http://127.0.0.1:8428"'},
    "influxdb": {
        "url": 'Write url = "http://127.0.0.1:8086"',
        "org": "Write the name of the organisation that has the bucket",
        "bucket": "Write the name of the bucket",
        "credentials_file": 'Write token = "…" into a file, and name it',
    },
}


def check_history(draft: Draft) -> Iterator[Problem]:
    """Yield what is wrong with `[history]`."""
    entry, history = draft.history, draft.history.config
    if not entry.whole("kind", *_OF_SERVERS):
        return
    if history.kind == "sqlite":
        for key in (key for key in _OF_SERVERS if getattr(history, key)):
            cure = 'Write kind = "victoriametrics" or "influxdb", or leave it out'
            what = "is of a history on a server"
            yield Problem(entry.at(key), what, cure, getattr(history, key))
    else:
        for key in (key for key in _NEEDED[history.kind] if not getattr(history, key)):
            what = f'is missing, and kind = "{history.kind}" needs it'
            yield Problem(entry.at(key), what, _NEEDED[history.kind][key])
    path = history.credentials_file
    if path is not None and not (draft.folder / path).is_file():
        cure = 'Write token = "…" into a file, readable by the service alone, and name it'
        yield Problem(entry.at("credentials_file"), "there is no such file", cure, path)
