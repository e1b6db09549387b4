"""Bounds of the spec's keys that more than their own row goes by, as decimals in text."""

MAX_DRIVE_LIMIT = "1.2"
"""Of bridge.scale_max."""
