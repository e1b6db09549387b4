"""Bounds of the spec's keys that more than their own row goes by; decimals in text."""

MAX_DRIVE_LIMIT = "1.2"
"""Of bridge.scale_max."""

MAX_PWM_COUNTS = 32767
"""Duty resolution, counts for full scale: a signed 16-bit word."""

MAX_ADC_BITS = 16
"""Resolution of an ADC: a code is a 16-bit word."""
