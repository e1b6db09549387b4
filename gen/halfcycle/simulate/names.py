"""What a user may name: the cases and the engines. Nothing slow is imported for them."""

from __future__ import annotations

CASES = (
    "start",
    "target-step",
    "target-down",
    "load-on",
    "load-off",
    "overload",
    "bus-sag",
    "bus-swell",
    "non-linear",
    "zero-offset",
    "frequency-drift",
    "stuck-sensor",
    "disconnected-sensor",
    "noise",
    "lost-in-start",
    "lost-in-swell",
    "lost-at-limit",
    "sensor-back",
    "bus-step-up",
    "bus-step-down",
    "bus-bad-reading",
    "motor-start",
    "bus-ripple",
    "bus-lost",
    "bus-unread",
    "bus-back",
)
"""Every case of ``cases.cases``, in its order; those of a measured bus, and some others, are not
there for every spec."""
ENGINES = ("threading", "loky", "dask")
"""joblib's engines that boards are spread with."""
