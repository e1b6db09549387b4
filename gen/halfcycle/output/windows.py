"""The JSON of ``halfcycle windows``, and of windows in general."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from fractions import Fraction
from typing import Annotated, Any

from halfcycle.output.light import LightEntry, Means
from halfcycle.windows.search import Window

Bounds = tuple[float, float]
MeanError = Annotated[
    Bounds,
    Means(
        "least and greatest error of a mean-based reading, fraction of the true RMS, over every "
        "phase; zero offset and frequency tolerance included"
    ),
]
RmsError = Annotated[Bounds, Means("the same for an RMS reading")]


@dataclass(frozen=True, slots=True)
class WindowBase(LightEntry):
    """A measuring window."""

    half_cycles: Annotated[int, Means("half cycles that it is meant to hold", ge=1)]
    samples: Annotated[int, Means("loop periods in it", ge=1, le=65535)]
    duration_ms: Annotated[float, Means("length, ms", gt=0)]
    whole: Annotated[bool, Means("whether it holds its half cycles exactly")]
    mismatch_ppm: Annotated[float, Means("longer (+) or shorter (-) than its half cycles, ppm")]


def shape(window: Window) -> dict[str, Any]:
    """The arguments of ``WindowBase`` that the window itself gives."""
    return {
        "half_cycles": window.half_cycles,
        "samples": window.samples,
        "duration_ms": window.duration_ms,
        "whole": window.whole,
        "mismatch_ppm": window.mismatch_ppm,
    }


@dataclass(frozen=True, slots=True)
class ListedWindow(WindowBase):
    """A candidate of ``halfcycle windows``."""

    distinct_points: Annotated[int, Means("places of the half cycle that are sampled", ge=1)]
    few_points: Annotated[
        bool, Means("fewer than 20 of them: the mean depends on the phase by 0.1 % or so")
    ]
    odd: Annotated[bool, Means("odd count of half cycles: a zero offset does not cancel")]
    mean_error: MeanError
    rms_error: RmsError
    alternation_mean: Annotated[
        float,
        Means(
            "part of the zero offset that flips a mean-based reading from window to window, either "
            "way, fraction of the true RMS",
            ge=0,
        ),
    ]
    alternation_rms: Annotated[float, Means("the same for an RMS reading", ge=0)]

    @classmethod
    def of(cls, window: Window, zero_offset: float, tolerance_hz: Fraction) -> ListedWindow:
        """A candidate with the bounds of its errors, for a sensor whose zero is off by up to
        ``zero_offset`` (fraction of the peak) and a frequency off by up to ``tolerance_hz``."""
        from halfcycle.windows import reading_errors  # noqa: PLC0415 (numpy: not for --help)

        mean_error = reading_errors.mean_error(window, zero_offset, tolerance_hz)
        rms_error = reading_errors.rms_error(window, zero_offset, tolerance_hz)
        return cls(
            **shape(window),
            mean_error=(mean_error.low, mean_error.high),
            rms_error=(rms_error.low, rms_error.high),
            distinct_points=window.distinct_points,
            few_points=window.distinct_points < reading_errors.FEW_POINTS,
            odd=window.odd,
            alternation_mean=reading_errors.alternation(window, zero_offset, "mean"),
            alternation_rms=reading_errors.alternation(window, zero_offset, "rms"),
        )


@dataclass(frozen=True, slots=True)
class Windows(LightEntry):
    """``halfcycle windows``"""

    windows: Annotated[
        list[ListedWindow],
        Means(
            "whole windows, shortest first; only where there is none, the nearest misses",
            min_length=1,
        ),
    ]

    @classmethod
    def of(cls, windows: Iterable[Window], zero_offset: float, tolerance_hz: Fraction) -> Windows:
        """All candidates, in their order; arguments as in ``ListedWindow.of``."""
        return cls([ListedWindow.of(window, zero_offset, tolerance_hz) for window in windows])
