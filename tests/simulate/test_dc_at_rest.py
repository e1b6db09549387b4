"""DC of the boards at rest beside what the design says that the regulator makes of the zero."""

from __future__ import annotations

from fractions import Fraction

from click.testing import CliRunner

from halfcycle.cli import cli
from halfcycle.generate.pipeline import design_integers
from halfcycle.report.board_runs import run_boards
from halfcycle.report.board_section import case_table
from halfcycle.report.parts import quantity
from halfcycle.simulate.simulate import Prepared, run_piece
from halfcycle.spec.load import load_spec
from halfcycle.spec.models import Spec
from support.paths import EXAMPLES
from support.virtual_boards import prepared_example, prepared_spec

CART = EXAMPLES / "apron_cart.toml"
"""An odd plain window: the sensor's zero flips its reading."""
BOARDS = 32


def finer(zero_codes: int) -> Spec:
    """The cart with sixteen times finer codes, fine PWM and no noise; ``zero_codes`` of error."""
    spec = load_spec(CART)
    sensor = {
        "adc_bits": 16,
        "zero_code": 1 << 15,
        "volts_per_code": spec.sensor.volts_per_code / 16,
        "zero_tolerance_codes": Fraction(zero_codes),
        "noise_codes_rms": Fraction(0),
    }
    return spec.model_copy(
        update={
            "sensor": spec.sensor.model_copy(update=sensor),
            "bridge": spec.bridge.model_copy(update={"pwm_counts": 30000}),
            "loop": spec.loop.model_copy(update={"half_cycles": 1}),
        }
    )


def dc(ready: Prepared) -> tuple[float, float]:
    """The worst board's DC and the design's bound, percent of rated peak."""
    tally = run_piece(ready, "target-step", range(BOARDS), seed=1)
    return tally.worst["dc_percent"][0], 100 * ready.setting.at_rest.dc


def test_what_boards_have_beyond_the_design_s_bound_of_dc_is_rounding() -> None:
    """The page showed 0.0166 % measured above a bound of 0.0147 %, and did not say why."""
    measured, bound = dc(prepared_example("apron_cart"))
    assert measured > bound > 0
    # Forty times the error in codes and fine counts: the zero is nearly all, and the bound holds.
    measured, bound = dc(prepared_spec(finer(160)))
    assert 0.8 * bound < measured < bound
    measured, bound = dc(prepared_spec(finer(0)))
    assert measured < 1e-9 and bound == 0


def test_page_and_terminal_say_what_the_measured_dc_is_of() -> None:
    ready = prepared_example("apron_cart")
    integer_design = design_integers(ready.setting.spec)
    runs = run_boards(integer_design, integer_design.texts(), 1, 1)
    (note,) = (text for text in case_table(runs).notes if "THD" in text)
    assert "of all causes" in note and "rounding" in note
    assert f"at most {quantity(100 * ready.setting.at_rest.dc, '%')} by the design" in note
    run = ["simulate", str(CART), "--case", "target-step", "--boards", "1"]
    result = CliRunner().invoke(cli, run)
    told = " ".join(result.output.split())
    assert "of the sensor's zero the regulator makes at most 0.011 %; rounding, noise" in told
