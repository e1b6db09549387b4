"""The oscillator: which phase each PWM period has, and how exact its frequency is."""

from __future__ import annotations

from dataclasses import replace
from fractions import Fraction

import pytest

from halfcycle.prove import prove
from halfcycle.quantise import turning as constants
from halfcycle.regulator.plan import Plan
from halfcycle.regulator.turn import TURN_CALL_NAMES, Turn
from halfcycle.spec.load import load_spec
from halfcycle.spec.models import Spec
from halfcycle.verify import compare
from support import plan_cases, planted
from support.paths import example

CASE = "mean integral only"
"""The hand-made Plan that has an oscillator."""
BANDS = {
    "20 kHz, a tenth of a hertz": ("50", "1/10", "50"),
    "20 kHz, one frequency": ("50", "0", "50"),
    "no whole number of periods in a second": ("50", "1/2", "1000/17"),
    "no whole number of millihertz": ("50/3", "1/7", "100"),
    "one frequency of no whole number of millihertz": ("50/3", "0", "100"),
    "400 Hz, the widest band": ("400", "40", "20"),
    "a megahertz": ("60", "5", "1"),
    "the loop's own rate": ("60", "5", "1000"),
    "2 kHz": ("2000", "100", "10"),
}


def spec_of(frequency: str, tolerance: str, period: str) -> Spec:
    spec = load_spec(example("quay_kiosk"))
    hertz = {"frequency_hz": Fraction(frequency), "frequency_tolerance_hz": Fraction(tolerance)}
    output = spec.output.model_copy(update=hertz)
    bridge = spec.bridge.model_copy(update={"pwm_period_us": Fraction(period)})
    return spec.model_copy(update={"output": output, "bridge": bridge})


@pytest.mark.parametrize("band", BANDS.values(), ids=BANDS)
def test_every_frequency_of_the_band_is_within_the_stated_error(band: tuple[str, str, str]) -> None:
    """Exact fractions: the frequency that a step makes, against the one asked for."""
    spec = spec_of(*band)
    turning = constants.turning(spec)
    assert turning is not None
    bound, turn = constants.error_ppm(spec, turning), Turn(turning)
    lowest = spec.output.frequency_hz - spec.output.frequency_tolerance_hz
    highest = spec.output.frequency_hz + spec.output.frequency_tolerance_hz
    asked = {turning.low_mhz, turning.low_mhz + 1, turning.high_mhz - 1, turning.high_mhz}
    asked |= set(range(turning.low_mhz, turning.high_mhz + 1, 7))
    worst, steps = Fraction(0), []
    for millihertz in sorted(asked):
        wanted = min(max(Fraction(millihertz, 1000), lowest), highest)
        turn.turn_set_millihertz(millihertz)
        step = turn.step[turn.step_sequence & 1]
        made = Fraction(step, 2**32) * 1_000_000 / spec.bridge.pwm_period_us
        worst = max(worst, abs(made / wanted - 1) * 1_000_000)
        steps.append(step)
    assert worst <= bound < 100 and steps == sorted(steps)
    if turning.adjustable:
        assert worst >= bound / 20, "the bound is not idle"


def test_beyond_the_band_it_stays_at_its_end() -> None:
    turning = constants.turning(spec_of("50", "1/10", "50"))
    assert turning is not None
    turn = Turn(turning)
    for millihertz, step in ((0, turning.low_step), (2**32 - 1, turning.high_step)):
        turn.turn_set_millihertz(millihertz)
        assert turn.step[turn.step_sequence & 1] == step


def test_a_frequency_comes_out_that_ten_million_periods_show() -> None:
    """20 kHz and 50 Hz: the tutorial's own arithmetic of 16 bits made 49.74 Hz of it."""
    turning = constants.turning(spec_of("50", "0", "50"))
    assert turning is not None
    turns = 10_000_000 * turning.rated_step / 2**32
    assert abs(turns / 500 - 50) < 5e-6
    assert round(65536 * 50 * 50 / 1e6 - 0.5) * 20_000 / 65536 == pytest.approx(49.74, abs=0.01)


def test_the_phase_starts_at_zero_and_wraps_without_a_jump() -> None:
    turn = Turn(plan_cases.TURNING)
    phases = [turn.turn_next() for _ in range(1000)]
    step = plan_cases.TURNING.rated_step
    assert phases == [n * step % 2**32 >> 16 for n in range(1000)] and phases[0] == 0


def plan() -> Plan:
    return planted.plan_of(CASE)


def test_the_c_has_it_only_if_the_spec_has_a_pwm_period() -> None:
    """What a spec does not ask for costs nothing."""
    with_it, without = (plan_cases.render(one) for one in (plan(), replace(plan(), turning=None)))
    assert all("turn_" in with_it[f"reed_lamp{end}"] for end in (".h", ".c", "_selftest.c"))
    assert not any("_turn" in text for text in without.values())


@pytest.mark.parametrize(
    ("old", "new", "field"),
    [
        ("(advance - left) - 1u", "advance - left", "phase"),
        ("(uint16_t)(phase >> 16)", "(uint16_t)(t->phase >> 16)", "result"),
        ("t->step[sequence & 1u] = advance;", "t->step[0] = advance;", "step_"),
        ("millihertz <= UINT32_C(49500)", "millihertz < UINT32_C(49500)", ""),
        ("millihertz <= UINT32_C(49500)", "millihertz <= UINT32_C(49501)", "step_"),
        ("millihertz >= UINT32_C(50500)", "millihertz >= UINT32_C(50499)", "step_"),
        ("UINT32_C(14073749)", "UINT32_C(14073849)", "step_"),
    ],
)
def test_a_fault_in_the_c_is_seen(old: str, new: str, field: str) -> None:
    files = plan_cases.render(plan())
    source = files["reed_lamp.c"]
    assert source.count(old) == 1
    broken = {**files, "reed_lamp.c": source.replace(old, new)}
    result = compare.verify(plan(), broken, samples=1, scenario="turn")
    if not field:  # At the end itself both ways give the same.
        assert result.mismatch is None
        return
    assert result.mismatch is not None and result.mismatch.field.startswith(field)
    assert any(not proof.passed for proof in prove.equal(plan(), broken, TURN_CALL_NAMES))


def test_the_c_is_proven() -> None:
    files = plan_cases.render(plan())
    proofs = prove.prove(plan(), files, TURN_CALL_NAMES)
    proofs += prove.equal(plan(), files, TURN_CALL_NAMES)
    assert all(proof.passed for proof in proofs)
    assert len(proofs) == 2 * len(TURN_CALL_NAMES) + len(TURN_CALL_NAMES) + 1


@pytest.mark.parametrize(
    ("old", "new"),
    [
        # The index first: a reader then turns by a step that is not there yet.
        (
            "    t->step[sequence & 1u] = advance;\n    t->step_sequence = sequence;\n",
            "    t->step_sequence = sequence;\n    t->step[sequence & 1u] = advance;\n",
        ),
        # The slot that is in use.
        ("    t->step[sequence & 1u] = advance;", "    t->step[(sequence + 1u) & 1u] = advance;"),
        ("volatile uint32_t step[2];", "uint32_t step[2];"),
    ],
)
def test_a_broken_hand_over_is_seen(old: str, new: str) -> None:
    files = plan_cases.render(plan())
    broken = {name: text.replace(old, new) for name, text in files.items()}
    assert broken != files
    proofs = prove.equal(plan(), broken, ["turn_set_millihertz"])
    assert any(proof.name == "hand-over" and not proof.passed for proof in proofs)
