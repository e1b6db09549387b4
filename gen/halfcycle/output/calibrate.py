"""The JSON of ``halfcycle calibrate``."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping

from halfcycle.base import findings as base
from halfcycle.bench import calibrate as domain
from halfcycle.output.base import Entry, Finding, each, means
from halfcycle.spec.models import Value


class Estimate(Entry):
    """A fitted value."""

    value: float = means("fitted value")
    uncertainty: float | None = means("half-width of the 95 % interval; null for one reading")
    readings: int = means("number of readings used")

    @classmethod
    def of(cls, estimate: domain.Estimate | None) -> Estimate | None:
        """A fit, if there is one."""
        if estimate is None:
            return None
        half = estimate.uncertainty if math.isfinite(estimate.uncertainty) else None
        return cls(value=estimate.value, uncertainty=half, readings=estimate.readings)


class Board(Entry):
    """One board's sensor."""

    board: str = means("its name")
    volts_per_code: Estimate | None = means("V per ADC code")
    zero_code: Estimate | None = means("ADC code at zero volts")
    zero_square_codes2: Estimate | None = means("square of the zero's error, codes squared")

    @classmethod
    def of(cls, fit: domain.BoardFit) -> Board:
        """One board's fit."""
        return cls(
            board=fit.board,
            volts_per_code=Estimate.of(fit.volts_per_code),
            zero_code=Estimate.of(fit.zero_code),
            zero_square_codes2=Estimate.of(fit.zero_square),
        )


class Outlier(Entry):
    """A reading or a board that is left out."""

    line: int | None = means("line in the file of readings; null for a whole board")
    board: str = means("name of its board")
    deviation_percent: float = means("difference from the others, %")
    sigmas: float = means("the same in standard deviations")

    @classmethod
    def of(cls, outlier: domain.Outlier) -> Outlier:
        """A reading, or a board, that was left out."""
        return cls(
            line=outlier.line or None,
            board=outlier.board,
            deviation_percent=outlier.deviation_percent,
            sigmas=outlier.sigmas,
        )


class Calibrate(Entry):
    """``halfcycle calibrate``; null if there are too few readings or boards."""

    boards: list[Board] = means("fits, one for each board")
    volts_per_code: Estimate | None = means("V per ADC code, over all boards")
    zero_code: Estimate | None = means("ADC code at zero volts, over all boards")
    gain_spread_percent: float | None = means("greatest gain error of a board against the spec, %")
    gain_spread_after_percent: float | None = means(
        "greatest gain error of a board against the fitted value, %"
    )
    gain_reach_percent: float | None = means(
        "gain tolerance that holds 99 % of all boards with 95 % confidence, +-%"
    )
    zero_spread_codes: float | None = means(
        "greatest zero error of a board against the spec, codes"
    )
    zero_spread_after_codes: float | None = means(
        "greatest zero error of a board against the fitted value, codes"
    )
    zero_reach_codes: float | None = means(
        "zero tolerance that holds 99 % of all boards with 95 % confidence, +-codes"
    )
    outliers: list[Outlier] = means("readings and boards that were left out")
    changes: dict[str, float] = means("spec keys, dotted, with the fitted values")
    written: list[str] = means("keys written into the spec")
    inside_tolerance: bool = means(
        "whether the boards fit the spec's tolerances (else exit code 1)"
    )
    findings: list[Finding] = means("what to do")

    @classmethod
    def of(
        cls,
        calibration: domain.Calibration,
        changes: Mapping[str, Value],
        findings: Iterable[base.Finding],
        *,
        written: bool,
        inside_tolerance: bool,
    ) -> Calibrate:
        """A calibration; ``changes``: the spec's keys with fitted values, ``written`` or not."""
        return cls(
            boards=[Board.of(fit) for fit in calibration.boards],
            volts_per_code=Estimate.of(calibration.volts_per_code),
            zero_code=Estimate.of(calibration.zero_code),
            gain_spread_percent=calibration.gain_spread_percent,
            gain_spread_after_percent=calibration.gain_spread_after_percent,
            gain_reach_percent=calibration.gain_reach_percent,
            zero_spread_codes=calibration.zero_spread_codes,
            zero_spread_after_codes=calibration.zero_spread_after_codes,
            zero_reach_codes=calibration.zero_reach_codes,
            outliers=[Outlier.of(outlier) for outlier in calibration.outliers],
            changes={key: float(value) for key, value in changes.items()},
            written=list(changes) if written else [],
            inside_tolerance=inside_tolerance,
            findings=each(Finding, findings),
        )
