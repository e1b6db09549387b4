"""Tables of the how-to pages, computed."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from fractions import Fraction

from documentation.pages import DOCS

EXAMPLES = DOCS / "examples"


def table(head: Sequence[str], rows: Iterable[Sequence[object]]) -> str:
    """A Markdown table. A bar inside a cell would end it, so it is escaped."""
    lines = [head, ["---"] * len(head), *rows]
    cells = ([str(cell).replace("|", "\\|") for cell in line] for line in lines)
    return "\n" + "".join(f"| {' | '.join(line)} |\n" for line in cells) + "\n"


KINDS: tuple[tuple[str, str, str | int], ...] = (
    ("plain", "flat", 1),
    ("moving flat", "flat", "auto"),
    ("shaped", "shaped", 1),
    ("moving shaped", "shaped", "auto"),
)
"""Kind of window, and what loop.weighting and loop.updates_per_window say to insist on it."""

DC_LIMITS = (0.02, 0.5)
"""output.dc_percent: the default, and what a load without a transformer bears."""


def targets() -> str:
    """The fastest loop of one unit with each kind of window."""
    from halfcycle.base.errors import RefusedError  # noqa: PLC0415
    from support.goal_units import designed  # noqa: PLC0415

    rows = []
    for measure, kinds in (("rms", KINDS), ("mean", KINDS[:2])):
        for kind, weighting, updates in kinds:
            for dc_percent in DC_LIMITS[: 1 if kind == "plain" else None]:
                start = (measure, kind, dc_percent)
                try:
                    made = designed(
                        measure=measure,
                        dc_percent=dc_percent,
                        weighting=weighting,
                        updates_per_window=updates,
                    ).design
                except RefusedError:
                    rows.append((*start, *("",) * 2, "none", *("",) * 4))
                    continue
                loop, window = made.loop, made.window
                release = getattr(loop, "release_ms", None)
                rows.append(
                    (
                        *start,
                        f"{window.duration_ms:.4g}",
                        window.updates,
                        f"{loop.settling_ms:.4g}",
                        f"{round(loop.overshoot_percent or 0.0, 1):.2g}",
                        f"{loop.gain_margin_db:.3g}",
                        f"{loop.peak_sensitivity:.3g}",
                        "" if release is None else f"{release:.3g}",
                    )
                )
    head = (
        "measure",
        "window",
        "DC allowed, %",
        "length, ms",
        "updates in it",
        "settles in, ms",
        "overshoot, %",
        "gain margin, dB",
        "Ms",
        "above 120 % after an overload, ms",
    )
    return table(head, rows)


def slowed_by() -> str:
    """What each demand on the fastest loops of the same unit costs: each left out alone."""
    from support.goal_units import designed  # noqa: PLC0415

    stiff = {"bus_min_v": 215, "bus_max_v": 215}
    exact = {"inductance_tolerance_percent": 0, "capacitance_tolerance_percent": 0}
    changes: tuple[tuple[str, dict[str, object]], ...] = (
        ("all of it", {}),
        ("a stiff bus", stiff),
        ("the update at once", {"update_within_us": 0}),
        ("an overshoot of 20 %", {"overshoot_percent": 20}),
        ("an exact filter", exact),
        ("loads of power factor 1", {"lowest_power_factor": 1}),
        ("all of these", {**stiff, **exact, "update_within_us": 0, "overshoot_percent": 20}),
    )
    rows = []
    for name, keys in changes:
        cells = [name]
        for window in ({"weighting": "shaped"}, {"measure": "mean", "weighting": "flat"}):
            loop = designed(**window, updates_per_window="auto", **keys).design.loop
            cells += [f"{loop.settling_ms:.4g}", f"{getattr(loop, 'last_start_ms', None):.4g}"]
        rows.append(tuple(cells))
    head = (
        "asked for",
        "rms, shaped: ends, ms",
        "begins, ms",
        "mean, flat: ends, ms",
        "begins, ms",
    )
    return table(head, rows)


def clipping() -> str:
    """What a drive above the bus gives and costs."""
    from halfcycle.base import clipped_sine as clipped  # noqa: PLC0415

    head = ("drive", "fundamental", "RMS", "distortion, %", "mean-based reading, %")
    return table(
        head,
        (
            (
                drive,
                f"{clipped.fundamental(drive):.4f}",
                f"{clipped.rms(drive):.4f}",
                f"{100 * clipped.thd(drive):.2f}",
                f"{100 * clipped.reading_error(drive):+.2f}",
            )
            for drive in (1.0, 1.05, 1.1, 1.15, 1.2)
        ),
    )


def cases() -> str:
    """The situations that virtual boards are put through, for the cabin."""
    from halfcycle.generate.pipeline import design_integers  # noqa: PLC0415
    from halfcycle.simulate.cases import cases as known_cases  # noqa: PLC0415
    from halfcycle.simulate.simulate import prepare  # noqa: PLC0415
    from halfcycle.spec.load import load_spec  # noqa: PLC0415

    designed = design_integers(load_spec(EXAMPLES / "peat_cabin.toml"))
    setting = prepare(designed.design, designed.quantised, designed.texts()).setting
    return table(
        ("case", "what happens", "judged by"),
        ((case.name, case.about, ", ".join(case.rules)) for case in known_cases(setting).values()),
    )


def offset() -> str:
    """What is left of a small zero offset, as a share of it, in a few windows of 60 and 50 Hz."""
    from halfcycle.windows import reading_errors as faults  # noqa: PLC0415
    from halfcycle.windows.mean_extremes import MEAN_OF_SINE  # noqa: PLC0415
    from halfcycle.windows.search import Window  # noqa: PLC0415

    small = 1e-3
    rows = []
    for hertz, period, half_cycles, samples in (
        (60, 1000, 3, 25),
        (60, 1000, 6, 50),
        (50, 1000, 1, 10),
        (50, 800, 2, 25),
        (50, 800, 4, 50),
    ):
        window = Window(half_cycles, samples, Fraction(hertz), Fraction(period, 10**6))
        flips = faults.alternation(window, small, "mean") * MEAN_OF_SINE / small
        bounds, without = faults.mean_error(window, small), faults.mean_error(window)
        left = (bounds.high - without.high) * MEAN_OF_SINE / small
        rows.append(
            (f"{hertz} Hz, {period} us", half_cycles, samples, f"{flips:.4f}", f"{left:.4f}")
        )
    head = ("window", "K", "M", "flips, share of d", "greatest added, share of d")
    return table(head, rows)
