"""The read side of OGC SensorThings API 1.1 (OGC 18-088) at `/sta/v1.1`."""
