"""Weirwatch: telemetry and alarms for a large living salt-water system."""
