"""Histories on a server: the readings go there from the recent ones in the file, their spool."""
