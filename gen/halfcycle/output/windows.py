"""The JSON of ``halfcycle windows``, and of windows in general."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction
from typing import Annotated, Any

from halfcycle.output.light import LightEntry, Means
from halfcycle.windows.search import Window, WindowKind

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

    half_cycles: Annotated[int, Means("half cycles that the window is meant to hold", ge=1)]
    samples: Annotated[int, Means("loop periods in the window", ge=1, le=65535)]
    duration_ms: Annotated[float, Means("length of the window, ms", gt=0)]
    whole: Annotated[bool, Means("whether the window holds its half cycles exactly")]
    mismatch_ppm: Annotated[
        float,
        Means("by how much the window is longer (+) or shorter (-) than its half cycles, ppm"),
    ]
    kind: Annotated[
        WindowKind,
        Means(
            "plain: equal weights, one update a window; moving: several updates; shaped: weights "
            "that differ"
        ),
    ]
    blocks: Annotated[int, Means("number of blocks of equal length", ge=1)]
    block_samples: Annotated[int, Means("loop periods in a block", ge=1)]
    block_weights: Annotated[list[int], Means("weight of each block, newest first")]
    updates: Annotated[int, Means("PI updates per window", ge=1)]


def _pair(bounds: tuple[float, float]) -> Bounds:
    """Plain numbers, without a name of their own."""
    return float(bounds[0]), float(bounds[1])


def shape(window: Window) -> dict[str, Any]:
    """The arguments of ``WindowBase`` that the window itself gives."""
    return {
        "half_cycles": window.half_cycles,
        "samples": window.samples,
        "duration_ms": window.duration_ms,
        "whole": window.whole,
        "mismatch_ppm": window.mismatch_ppm,
        "kind": window.kind,
        "blocks": window.blocks,
        "block_samples": window.block_samples,
        "block_weights": list(window.block_weights),
        "updates": window.updates,
    }


@dataclass(frozen=True, slots=True)
class ListedWindow(WindowBase):
    """A candidate of ``halfcycle windows``."""

    distinct_points: Annotated[
        int, Means("different places of the half cycle that are sampled", ge=1)
    ]
    few_points: Annotated[
        bool,
        Means(
            "whether they are fewer than 20: the mean then depends on the phase by 0.1 % or more"
        ),
    ]
    odd: Annotated[
        bool, Means("whether the count of half cycles is odd: a zero offset then does not cancel")
    ]
    mean_error: MeanError
    rms_error: RmsError
    alternation_mean: Annotated[
        float,
        Means(
            (
                "part of the zero offset's error that flips from window to window in a mean-based "
                "reading, either way, fraction of the true RMS"
            ),
            ge=0,
        ),
    ]
    alternation_rms: Annotated[float, Means("the same for an RMS reading", ge=0)]
    harmonic_mean_error: Annotated[
        Bounds,
        Means(
            "least and greatest error of a mean-based reading with a third harmonic up to 5 % and "
            "a fifth up to 6 %, frequency tolerance included; most of it is due to the wave's own "
            "shape"
        ),
    ]
    harmonic_rms_error: Annotated[Bounds, Means("the same for an RMS reading")]
    noise_gain: Annotated[
        float, Means("noise of a reading over that of a flat window with as many samples", ge=1)
    ]
    zeros: Annotated[
        list[str], Means("zeros of a shaped window's weights: f, 2f, 2f (double), 4f, 6f")
    ]

    @classmethod
    def of(
        cls, window: Window, zero_offset: float, tolerance_hz: Fraction, listed: int = 1
    ) -> ListedWindow:
        """A candidate with the bounds of its errors, for a sensor whose zero is off by up to
        ``zero_offset`` (fraction of the peak) and a frequency off by up to ``tolerance_hz``;
        one of so many that are ``listed``, which share the work."""
        # numpy, not for --help
        from halfcycle.windows import reading_errors  # noqa: PLC0415
        from halfcycle.windows.harmonic_errors import harmonic_error  # noqa: PLC0415
        from halfcycle.windows.weights import noise_gain  # noqa: PLC0415
        from halfcycle.windows.zeros import zeros_of  # noqa: PLC0415

        work = reading_errors.work_for_each(listed)
        mean_error = reading_errors.mean_error(window, zero_offset, tolerance_hz, work)
        rms_error = reading_errors.rms_error(window, zero_offset, tolerance_hz)
        return cls(
            **shape(window),
            mean_error=_pair(mean_error),
            rms_error=_pair(rms_error),
            distinct_points=window.distinct_points,
            few_points=window.distinct_points < reading_errors.FEW_POINTS,
            odd=window.odd,
            alternation_mean=reading_errors.alternation(window, zero_offset, "mean"),
            alternation_rms=reading_errors.alternation(window, zero_offset, "rms"),
            harmonic_mean_error=_pair(harmonic_error(window, "mean", tolerance_hz, work=work)),
            harmonic_rms_error=_pair(harmonic_error(window, "rms", tolerance_hz)),
            noise_gain=noise_gain(window.block_weights),
            zeros=zeros_of(window).text.split(", ") if window.shaped else [],
        )


@dataclass(frozen=True, slots=True)
class Windows(LightEntry):
    """``halfcycle windows``"""

    windows: Annotated[
        list[ListedWindow],
        Means(
            "whole windows, shortest first; only if there is none, the nearest misses; then "
            "shaped ones, shortest first",
            min_length=1,
        ),
    ]

    @classmethod
    def of(cls, windows: Sequence[Window], zero_offset: float, tolerance_hz: Fraction) -> Windows:
        """All candidates, in their order; arguments as in ``ListedWindow.of``."""
        listed = len(windows)
        return cls(
            [ListedWindow.of(window, zero_offset, tolerance_hz, listed) for window in windows]
        )
