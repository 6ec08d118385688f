"""Notifiers: how a committed notice leaves the house."""
