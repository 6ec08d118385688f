"""The core's composition root: makes everything, starts it in order, stops it in reverse."""

from weirwatch.app.build import build_core as build_core
from weirwatch.app.core import Core as Core
