"""The constants of the generated header that firmware uses, and the C itself perhaps does not."""

from __future__ import annotations

from halfcycle.regulator.plan import SCALE_ONE, Plan

INTERFACE_VERSION = 1
REVISION = "REVISION"
"""The one constant that is not the Plan's: the spec's digest, which header and C compare."""


def constants(plan: Plan) -> dict[str, int]:
    """Name in the header, without the regulator's before it, to value, in the header's order."""
    values = {"INTERFACE_VERSION": INTERFACE_VERSION, "SAMPLES": plan.samples}
    if plan.blockwise:
        values["BLOCK_SAMPLES"] = plan.block_samples
    values |= {
        "SCALE_ONE": SCALE_ONE,
        "SCALE_MAX": plan.scale_max,
        "PWM_COUNTS": plan.pwm_counts,
        "RATED_MV": plan.rated_mv,
        "TARGET_MAX_MV": plan.target_max_mv,
    }
    if plan.law:
        values["TARGET_MIN_MV"] = plan.law.least_mv
    return values | {f"FLAG_{name}": value for name, value, _ in plan.flags}
