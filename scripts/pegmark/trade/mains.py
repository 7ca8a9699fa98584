"""The mains grid, whose hum a recording may hold."""

from __future__ import annotations

MAINS_HZ = (50.0, 60.0)
