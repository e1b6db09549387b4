"""A spec taken all the way to integers: what the design and retune commands show."""

from __future__ import annotations

from dataclasses import dataclass

from halfcycle.design_types import Design
from halfcycle.designer import design
from halfcycle.faults import Finding, any_error, by_severity
from halfcycle.fixed_point import Quantised, pole_shift
from halfcycle.quantise import quantise
from halfcycle.spec import Spec


@dataclass(frozen=True, slots=True)
class Made:
    """A Design with its integers. ``pole_shift``: greatest move of the slowest closed-loop pole by
    the rounding of the constants, a length in the z plane. ``findings``: of both, errors first."""

    design: Design
    quantised: Quantised
    pole_shift: float
    findings: tuple[Finding, ...]

    @property
    def good(self) -> bool:
        """Whether no finding says that a limit is broken."""
        return not any_error(self.findings)


def make(spec: Spec, file: str = "spec") -> Made:
    """Design and quantise ``spec``; ``file`` is how messages name it.

    Raises InputError and Refused as these steps do.
    """
    made = design(spec, file)
    quantised = quantise(made)
    both = made.findings + quantised.findings
    return Made(
        design=made,
        quantised=quantised,
        pole_shift=pole_shift(made, quantised),
        findings=by_severity(both),
    )
