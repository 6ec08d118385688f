"""The SQLite file: journal, hot readings, outbox, and the read side."""
