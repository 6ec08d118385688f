"""Which history the settings name, and the archive that reads it."""

from weirwatch.settings import HistorySettings, Settings
from weirwatch.store.far.archive import FarArchive
from weirwatch.store.far.asking import read_login
from weirwatch.store.far.history import FarHistory
from weirwatch.store.far.victoria import VictoriaHistory
from weirwatch.store.schema import FILE_NAME
from weirwatch.store.sqlite_archive import SqliteArchive


def far_of(settings: HistorySettings) -> FarHistory | None:
    """Return the server, None when the file itself keeps the history; asks nothing of it.

    Raises:
        ConfigError: the credentials file cannot be used, or the client library is not there.
    """
    if settings.kind == "victoriametrics":
        login = read_login(settings.credentials_file)
        return VictoriaHistory(settings.url, settings.query_url, login)
    if settings.kind == "influxdb":
        from weirwatch.store.far.influx import InfluxHistory

        login = read_login(settings.credentials_file)
        return InfluxHistory(settings.url, settings.org, settings.bucket, login)
    return None


def archive_of(settings: Settings) -> SqliteArchive:
    """Return the archive; the file need not be there yet.

    Raises:
        ConfigError: the credentials file cannot be used.
    """
    path = settings.service.data_dir / FILE_NAME
    far = far_of(settings.history)
    return SqliteArchive(path) if far is None else FarArchive(path, far)
