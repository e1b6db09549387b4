"""From a Plan to the text of the generated files. Returns text; ``halfcycle.base.files`` writes it.

Layout is in ``templates/``; numbers come from the Plan, remarks from the Design. No clock and no
path enter, so the same spec gives the same bytes on every machine.
"""

from __future__ import annotations

import hashlib
import math
import re
import textwrap
from collections.abc import Iterator
from dataclasses import dataclass
from fractions import Fraction
from types import SimpleNamespace
from typing import Any

import halfcycle
from halfcycle.base import resources
from halfcycle.base.text import counted
from halfcycle.design.types import Design
from halfcycle.generate.golden_vectors import golden_vectors, turn_vectors
from halfcycle.generate.line_width import within
from halfcycle.quantise.law_format import law_ranges
from halfcycle.quantise.quantised import Quantised
from halfcycle.quantise.signals import error_bits, error_range
from halfcycle.regulator import arithmetic
from halfcycle.regulator.constants import constants
from halfcycle.regulator.plan import (
    FLAG_BUS_LOST,
    FLAG_IN_BAND,
    FLAG_MISSED,
    FLAG_SETTLED,
    SCALE_ONE,
    TRACK_FLAGS,
    Plan,
)
from halfcycle.regulator.state import calls_of, fields_of, least_slots, reading_type
from halfcycle.regulator.turn import TURN_CALLS, TURN_STATE
from halfcycle.spec.models import Spec
from halfcycle.spec.toml_text import value_text

DIGEST_LINE = re.compile(r"^( \*     file )([0-9a-f]{64}|@@DIGEST@@)$", re.MULTILINE)
WIDTH = 96
UNROLLED_BLOCKS = 8
"""Up to so many blocks their sums are added up without a loop."""
_BLOCK_FLAGS = {
    FLAG_MISSED: "a block that no update took: the drive is held until the ring is full"
}
"""What a flag means where the window has several blocks, if not the same."""
_TEMPLATES = {
    ".h": "regulator.h.j2",
    ".c": "regulator.c.j2",
    "_vectors.h": "vectors.h.j2",
    "_selftest.c": "selftest.c.j2",
}
"""The end of a generated file's name, and its template."""


@dataclass(frozen=True, slots=True)
class Banner:
    """What the comments at the head of the files say."""

    version: str
    spec_digest: str
    summary: str
    facts: tuple[str, ...]
    defaults: tuple[str, ...]
    constants: tuple[str, ...]
    signals: tuple[str, ...]
    error_range: str
    reported_max_mv: int
    duty_error: str = "1"
    """Bound on the error of the duty, counts."""
    turn_rated: str = ""
    turn_band: str = ""
    """Rated frequency, Hz, and the band, millihertz, of the oscillator."""
    turn_ppm: str = ""
    """Bound on its error."""
    pwm_period: str = ""
    """Microseconds."""
    bus_period: str = ""
    """Microseconds from one reading of the bus to the next."""
    update_within: str = "a loop period"
    """How late an update may end after its block."""


def render(design: Design, quantised: Quantised) -> dict[str, str]:
    """File name to text of the generated files: .h, .c, _vectors.h and _selftest.c."""
    return {
        name: sign(text)
        for name, text in render_plan(quantised.plan, _banner(design, quantised)).items()
    }


def render_plan(plan: Plan, banner: Banner) -> dict[str, str]:
    """The generated files before they are signed."""
    values: dict[str, Any] = {
        "plan": plan,
        "name": plan.name,
        "NAME": plan.name.upper(),
        "banner": banner,
        "fields": [field.declaration(plan) for field in fields_of(plan)],
        "turn_fields": [field.declaration(plan) for field in TURN_STATE] if plan.turning else [],
        "prototype": SimpleNamespace(
            **{call.name: call.prototype(plan.name) for call in (*calls_of(plan), *TURN_CALLS)}
        ),
        "flag_table": [
            (name, value, (_BLOCK_FLAGS if plan.blockwise else {}).get(value, meaning))
            for name, value, meaning in plan.flags
        ],
        "bus_lost_flag": FLAG_BUS_LOST,
        "constants": list(constants(plan).items()),
        "scale_one": SCALE_ONE,
        "reading_type": reading_type(plan),
        "error_type": f"int{error_bits(plan)}_t",
        "sum_shifted": _sum_shifted(plan.reading_shift),
        "implausible": _implausible(plan),
        "least_slots": least_slots(plan),
        "track_flags": TRACK_FLAGS,
        "zero_due_type": next(
            (field.c_type(plan) for field in fields_of(plan) if field.name == "zero_due"), ""
        ),
        **_law_values(plan),
        **_block_values(plan),
        "rows": [_c_row(row.values(plan)) for row in golden_vectors(plan)],
        "turn_rows": [
            [f"UINT32_C({row.millihertz})", *_c_row((row.calls, row.phase))]
            for row in turn_vectors(plan)
        ],
    }
    return {
        f"{plan.name}{ending}": within(
            _spaced(resources.templates().get_template(template).render(values))
        )
        for ending, template in _TEMPLATES.items()
    }


def _spaced(text: str) -> str:
    """One blank line where parts that a Plan lacks leave several, and none at the end."""
    return re.sub(r"\n{3,}", "\n\n", text).rstrip("\n") + "\n"


def file_names(name: str) -> tuple[str, ...]:
    """The generated files of a spec with this name."""
    return tuple(name + ending for ending in _TEMPLATES)


def sign(text: str) -> str:
    """Put the digest of ``text``, without the digest itself, on its digest line."""
    return DIGEST_LINE.sub(rf"\g<1>{_body_digest(text)}", text, count=1)


def is_edited(text: str) -> bool:
    """Whether a generated file's text no longer fits the digest in its own banner."""
    digest = DIGEST_LINE.search(text)
    return digest is None or digest[2] != _body_digest(text)


def _body_digest(text: str) -> str:
    return hashlib.sha256(DIGEST_LINE.sub(r"\g<1>", text, count=1).encode()).hexdigest()


def _c_row(row: tuple[int, ...]) -> list[str]:
    """Integers as C constants that mean the same if int has 16 bits."""
    return [f"INT32_C({value})" if abs(value) > 32767 else str(value) for value in row]


def _sum_shifted(shift: int) -> str:
    """The C expression of (high:sum) >> shift, for a result that fits 32 bits."""
    if shift >= 32:
        return f"high >> {shift - 32}" if shift > 32 else "high"
    return f"(high << {32 - shift}) | (sum >> {shift})"


def _implausible(plan: Plan) -> str:
    """The C condition that the sensor reads nothing though driven, or is stuck."""
    driven = "undriven == 0u" if plan.updates > 1 else f"scale >= {plan.hold_scale}"
    lean = "s->stuck" if plan.blockwise else f"{plan.name}_alike(lean, before)"
    return f"(reading < {plan.hold_reading}) ? ((error > 0) && ({driven})) : ({lean} != 0u)"


def _law_values(plan: Plan) -> dict[str, Any]:
    """What the templates need to know of the law."""
    law = plan.law
    if law is None:
        return {"deviation": "error"}
    ranges = law_ranges(plan)
    change = ", change" if plan.has_proportional else ""
    return {
        "deviation": f"share{change}, s->aim",
        "size_max": ranges["size"].high,
        "action_max": ranges["action"].high,
    }


def _block_values(plan: Plan) -> dict[str, Any]:
    """What the templates need besides for a window of blocks."""
    if not plan.blockwise:
        return {}
    types = {field.name: field.c_type(plan) for field in fields_of(plan)}
    shift = plan.reading_shift
    half = arithmetic.half(shift) if plan.measure == "mean" else 0
    return {
        "ring_type": types["ring"],
        "unrolled": UNROLLED_BLOCKS,
        "blocks_type": types["blocks_due"],
        "span_type": types["span_due"],
        "count_type": types.get("unsettled", ""),
        "index_type": "uint_least8_t" if plan.blocks <= 255 else "uint16_t",
        # mean: the rounding, in the two parts of the sum
        "upper_first": f"{half >> 16}u + " if half >> 16 else "",
        "lower_first": f"{half & 65535}u + " if half & 65535 else "",
        "window_shifted": f"upper >> {shift - 16}"
        if shift > 16
        else "upper"
        if shift == 16
        else f"(upper << {16 - shift}) | ((lower & 65535u) >> {shift})",
        "still_flags": plan.all_flags & ~(FLAG_IN_BAND | FLAG_SETTLED),
    }


def _banner(design: Design, quantised: Quantised) -> Banner:
    spec, plan = design.spec, quantised.plan
    error = error_range(plan)
    reported = next(signal for signal in plan.signals if signal.name == "rms_mv")
    return Banner(
        version=halfcycle.__version__,
        spec_digest=spec.digest(),
        summary=(
            f"{six_digits(spec.output.rated_rms_v)} V RMS "
            f"at {six_digits(spec.output.frequency_hz)} Hz"
        ),
        facts=tuple(_wrapped(_facts(design, quantised))),
        defaults=tuple(f"{key} = {value_text(value)}" for key, value in spec.defaulted())
        or ("none",),
        constants=tuple(_constants(quantised)),
        signals=tuple(_signals(plan)),
        error_range=f"{error.low}..{error.high}",
        reported_max_mv=reported.highest,
        duty_error=f"{math.ceil(100 * quantised.duty_error) / 100:.2f}",
        **_turn_words(spec, quantised),
        bus_period=six_digits(1_000_000 * spec.bus_period_s) if spec.bus_sensor else "",
        update_within=f"{six_digits(1_000_000 * spec.update_within_s)} us",
    )


def _turn_words(spec: Spec, quantised: Quantised) -> dict[str, str]:
    """What the header says of the oscillator."""
    turning, ppm = quantised.plan.turning, quantised.turn_error_ppm
    if turning is None or ppm is None or spec.bridge.pwm_period_us is None:
        return {}
    return {
        "turn_rated": six_digits(spec.output.frequency_hz),
        "turn_band": f"{turning.low_mhz}" + f"..{turning.high_mhz}" * turning.adjustable,
        "turn_ppm": f"{math.ceil(1000 * ppm) / 1000:g}",
        "pwm_period": six_digits(spec.bridge.pwm_period_us),
    }


def six_digits(value: Fraction | float) -> str:
    """Six digits of a number."""
    return f"{float(value):.6g}"


def _figure(value: float | None) -> str:
    """Three digits of a loop's figure. What is below a millionth comes of rounding in floating
    point, which differs from one machine to the next, and is nothing."""
    return "none" if value is None else f"{round(value, 6) + 0.0:.3g}"


def _facts(design: Design, quantised: Quantised) -> Iterator[str]:
    spec, window, plan = design.spec, design.window, quantised.plan
    measured = "average-rectified" if plan.measure == "mean" else "RMS"
    per = "per PI step" if plan.updates > 1 else "a window"
    yield (
        f"Window: {counted(window.half_cycles)} in {window.samples} samples of "
        f"{six_digits(spec.loop.period_us)} us "
        f"({six_digits(window.duration_s * 1000)} ms), {measured}."
    )
    if plan.blockwise:
        weights = " ".join(map(str, plan.block_weights))
        plural = "" if plan.block_samples == 1 else "s"
        yield (
            f"Blocks: {plan.blocks} of {plan.block_samples} sample{plural}, which weigh "
            f"{'the same' if plan.flat else f'{weights} (the newest first)'}; a PI step at every "
            f"{'block' if plan.update_blocks == 1 else f'{plan.update_blocks} blocks'}."
        )
    if design.law is not None and plan.law is not None:
        yield (
            "Law: normalised. A step moves the drive by a share of what it is, or of "
            f"{float(design.law.floor):g} times the target if that is more; the error counts as "
            "-1/2 to 1 of the target. The loop's gain is the same on every board. A target below "
            f"{plan.law.least_mv} mV counts as 0."
        )
    per_pu = design.gain_unit
    yield (
        f"Gains: proportional {design.gains.proportional:.6g} {per_pu}, integral "
        f"{design.gains.integral_per_s:.6g} {per_pu} and second "
        f"({design.gains.integral_per_window:.6g} {per}, {spec.loop.integration} form)."
    )
    if tracking := plan.tracking:
        after_ms = 1000 * tracking.blocks * plan.block_samples * float(window.period_s)
        yield (
            f"Zero: tracked within {tracking.clamp} codes of {plan.zero_code}, in steps of "
            f"{six_digits(after_ms)} ms of settled output; what is left: see the design's "
            "finding zero-tracked."
        )
    loop = design.loop
    yield (
        f"Over the corners: settling {loop.settling_ms:.6g} ms, overshoot "
        f"{_figure(loop.overshoot_percent)} %, gain margin {_figure(loop.gain_margin_db)} dB, "
        f"phase margin {_figure(loop.phase_margin_deg)} deg, peak sensitivity "
        f"{_figure(loop.peak_sensitivity)}."
    )
    yield (
        f"Resolution at the output: reading {quantised.reading_step_v:.3g} V, steps of the drive "
        f"{quantised.output_step_v:.3g} V, dead band {quantised.dead_band_v:.3g} V either way; "
        f"sine table within {quantised.table_error:.2g} of the crest."
    )


def _wrapped(paragraphs: Iterator[str]) -> Iterator[str]:
    for paragraph in paragraphs:
        first, *rest = textwrap.wrap(paragraph, WIDTH - 6)
        yield first
        yield from (f"    {line}" for line in rest)


def _constants(quantised: Quantised) -> Iterator[str]:
    plan = quantised.plan
    law = plan.law
    bits = plan.drive_bits if law is None else law.action_bits - law.share_bits
    integers = {
        "proportional": f"{plan.proportional} / 2^{bits + plan.proportional_shift}",
        "integral": f"{plan.integral} / 2^{bits + plan.integral_shift}",
        "floor": f"{law.floor if law else 0} a count / 2^{plan.drive_bits}",
        "target_gain": f"{plan.target_gain} / 2^{plan.target_shift}",
        "millivolt_gain": f"{plan.millivolt_gain} / 2^{plan.millivolt_shift}",
        "scale_max": f"{plan.scale_max} / 2^14",
        "ramp_step": f"{plan.ramp_step} / 2^{plan.ramp_bits}",
    }
    for row in quantised.coefficients:
        yield (
            f"{row.name}: {integers[row.name]} = {row.got:.6g}, wanted {row.wanted:.6g} "
            f"{row.unit} ({round(1e6 * row.error):+d} ppm)"
        )


def _signals(plan: Plan) -> Iterator[str]:
    yield f"{'name':<15}{'format':<11}{'bits':<6}{'lowest':>12}{'highest':>16}  headroom"
    for row in plan.signals:
        yield (
            f"{row.name:<15}{row.format:<11}{row.bits:<6}{row.lowest:>12}{row.highest:>16}"
            f"  {row.headroom_bits} bits"
        )
