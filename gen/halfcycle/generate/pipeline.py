"""The order of the stages: Spec -> Design -> Plan (quantised) -> text of the C. Said here alone.

``design_integers`` goes as far as the Plan, for what is shown and analysed, and carries what stands
against the design as findings. ``generate`` goes on to the text of the files, and refuses. Both are
remembered from run to run.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

from halfcycle.base.errors import RefusedError
from halfcycle.base.findings import Finding, any_error, by_severity
from halfcycle.design.designer import design, with_dearer
from halfcycle.design.types import Design
from halfcycle.generate import emit
from halfcycle.generate.design_cache import kept
from halfcycle.quantise.fixed_point import integer_error_v, pole_shift
from halfcycle.quantise.quantise import quantise
from halfcycle.quantise.quantised import Quantised
from halfcycle.regulator.plan import Plan
from halfcycle.spec.models import Spec


@dataclass(frozen=True, slots=True)
class IntegerDesign:
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

    def texts(self) -> dict[str, str]:
        """The generated files, name to text."""
        return emit.render(self.design, self.quantised)


@dataclass(frozen=True, slots=True)
class Generation:
    """A generated regulator, not yet written anywhere."""

    plan: Plan
    texts: Mapping[str, str]
    """File name to text: NAME.h, NAME.c, NAME_vectors.h, NAME_selftest.c."""
    findings: tuple[Finding, ...]


def design_integers(spec: Spec, file: str = "spec", *, look_ahead: bool = False) -> IntegerDesign:
    """Design and quantise ``spec``; ``file`` is how messages name it. ``look_ahead``: say what the
    next kind of window would buy.

    Raises InputError and RefusedError as these steps do.
    """
    done = kept("integers", spec, lambda: _design_integers(spec, file))
    if look_ahead:
        done = kept("integers, looking ahead", spec, lambda: _looking_ahead(done))
    return replace(done, design=replace(done.design, file=file))


def _looking_ahead(done: IntegerDesign) -> IntegerDesign:
    ahead = with_dearer(done.design, integer_error_v)
    findings = by_severity(ahead.findings + done.quantised.findings)
    return replace(done, design=ahead, findings=findings)


def _design_integers(spec: Spec, file: str) -> IntegerDesign:
    designed = design(spec, file, integer_error_v=integer_error_v)
    quantised = quantise(designed)
    return IntegerDesign(
        design=designed,
        quantised=quantised,
        pole_shift=pole_shift(designed, quantised),
        findings=by_severity(designed.findings + quantised.findings),
    )


def generate(spec: Spec, file: str = "spec") -> Generation:
    """Design, quantise and print; ``file`` is how messages name the spec.

    Raises RefusedError if a finding is an error, InputError if a key asks for what cannot be.
    """
    return kept("generation", spec, lambda: _generate(spec, file))


def _generate(spec: Spec, file: str) -> Generation:
    done = design_integers(spec, file)
    _refuse(done.findings)
    return Generation(done.quantised.plan, done.texts(), done.findings)


def _refuse(findings: tuple[Finding, ...]) -> None:
    if any_error(findings):
        raise RefusedError(by_severity(findings))
