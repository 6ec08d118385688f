"""The page at `/`: `mount` puts it on the web process's FastAPI application."""

from weirwatch.web.page.mounting import mount

__all__ = ["mount"]
