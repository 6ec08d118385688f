"""The home of the names of the formats that a table can be written in."""

from enum import StrEnum


class Format(StrEnum):
    """How a table is written."""

    JSON = "json"
    CSV = "csv"
    JSONL = "jsonl"
    PARQUET = "parquet"
