"""The page of a spec that cannot be met: the best that can be had, and every window tried."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from halfcycle.base.findings import Finding
from halfcycle.design.refusal import best_of_all, unfollowed_ms
from halfcycle.design.types import Trial
from halfcycle.loop.plant_types import Plants
from halfcycle.report.figure_rows import Row, dc_row, gain_rows, loop_rows, scale_row, sensor_text
from halfcycle.report.loop_section import FIGURES
from halfcycle.report.page import Section, lay_out
from halfcycle.report.parts import Corners, asked, letters, quantity
from halfcycle.report.summary_section import by_level
from halfcycle.report.weighed_windows import (
    best_ms,
    best_trials,
    by_time,
    limiting,
    name_of,
    settling_figure,
    slowest,
    windows_table,
)
from halfcycle.report.window_section import length_text
from halfcycle.spec.models import Spec


@dataclass(frozen=True, slots=True)
class Refused:
    """All that enters the page of a refused spec. ``findings``, ``trials`` and ``beyond``: of the
    refusal, no trial if no window was found to try or rated voltage is ``beyond`` reach; the rest
    as in ``parts.Contents``."""

    spec: Spec
    findings: tuple[Finding, ...]
    trials: tuple[Trial, ...]
    spec_text: str
    command: str
    beyond: Plants | None = None


def render(refused: Refused) -> str:
    """The page as text. The same spec gives the same text."""
    trials = by_time(refused.trials)
    best = _best(trials)
    named = _named(best, trials, refused.beyond)
    rows = tuple(_rows(refused, best, named))
    used = {row.where for row in rows}
    return lay_out(
        refused.spec,
        {
            "good": False,
            "warned": False,
            "rows": rows,
            "rows_title": "" if best is None else f"{_over(trials)}: {_of(best)}",
            "letters": {name: letter for name, letter in named.letters.items() if letter in used},
            "sign_off": None,
            "derivations": (),
            "boards": None,
            "worst_again": "",
            "verdict": verdict(refused),
            "findings": by_level(refused.findings),
            "front": tuple(_sections(refused.spec, trials, named)),
            "command": refused.command,
            "spec_text": refused.spec_text,
        },
    )


def verdict(refused: Refused) -> str:
    """The sentence that says that there is no design."""
    if refused.beyond is not None:
        return (
            "No C code was generated: at the weakest corner the bus cannot reach rated voltage, "
            "whatever the window. No window was tried."
        )
    if not refused.trials:
        return "The targets cannot be met: no window that the spec allows measures the output."
    count = len(refused.trials)
    tried = f"any of the {count} windows tried" if count > 1 else "the one window tried"
    return f"The targets cannot be met with {tried}. No C code was generated."


def _best(trials: tuple[Trial, ...]) -> Trial | None:
    """The trial that comes nearest: of windows that are too slow the fastest, of windows that are
    fast enough the one that makes the least DC; None if no window has a settling time."""
    fast_enough = [trial for trial in trials if trial.refusal is None]
    too_slow = [trial for trial in trials if trial.refusal is not None]
    if not too_slow:
        best = min(fast_enough, key=lambda trial: trial.output.dc_percent, default=None)
    else:
        best = next((trial for trial in too_slow if best_ms(trial) is not None), None)
    return None if best is None else best.complete(margins=True)


def _over(trials: tuple[Trial, ...]) -> str:
    """Over which windows the best is the best."""
    if best_of_all(trials):
        return "The best that can be had"
    followed = len(trials) - len(unfollowed_ms(trials))
    return f"The best of the {followed} windows that were searched fully ({len(trials)} were tried)"


def _searched(trials: tuple[Trial, ...]) -> str:
    """How far the windows were searched for their best gains."""
    if len(trials) == 1:
        return "One window was tried, with its best gains."
    others_ms = unfollowed_ms(trials)
    if not others_ms:
        return f"{len(trials)} windows were tried, each with its own best gains."
    followed, least = len(trials) - len(others_ms), quantity(min(others_ms), "ms")
    rest = (
        f"the other needs {least} or more, and a shorter search ruled it out"
        if len(others_ms) == 1
        else f"the other {len(others_ms)} need {least} or more, and a shorter search ruled them out"
    )
    return f"{followed} of {len(trials)} windows were searched for their best gains; {rest}."


def _of(best: Trial) -> str:
    return f"{name_of(best.window)}, {asked(best.window.duration_ms, 'ms')} a window"


def _named(best: Trial | None, trials: tuple[Trial, ...], beyond: Plants | None) -> Corners:
    """A letter for each board that is the worst of something."""
    worst = {} if best is None else best.loop.worst
    labels = [worst[key] for key, _, _ in FIGURES[:5] if key in worst]
    hardest = [trial.hardest_plants for trial in (trials[:1] if best is None else (best,))]
    for plants in hardest if beyond is None else (beyond,):
        labels.append(plants.corners[plants.hardest].label)
    # As in the terminal's table of the best, which comes first.
    shown = [label for trial in best_trials(trials) for label in limiting(trial) if label]
    slow = [label for trial in trials if (label := slowest(trial))]
    return letters([*shown, *labels, *slow])


def _rows(refused: Refused, best: Trial | None, named: Corners) -> Iterator[Row]:
    """The figures of the best window with its best gains, beside what is asked for; the drive
    alone if no window has any, and rated voltage is out of reach."""
    spec = refused.spec
    if refused.beyond is not None:
        yield scale_row(spec, refused.beyond, named)
    if best is None:
        return
    yield from loop_rows(spec, best.loop, named)
    yield from gain_rows(spec, best)
    yield Row(
        "steady error, the sensor's zero and gain and the integers apart",
        f"± {asked(best.tolerance_v, 'V')}",
        f"± {quantity(best.steady_error_v, 'V')}; {sensor_text(spec, best, best.steady_error_v)}",
        # Without the integers it may be beyond the tolerance, but is not known to keep it.
        kept=None if best.within_tolerance else False,
    )
    yield dc_row(best)
    yield scale_row(spec, best.hardest_plants, named)
    measure = "average-rectified mean" if spec.loop.measure == "mean" else "true RMS"
    yield Row("window", "", f"{length_text(best.window)}, {measure}")


def _sections(spec: Spec, trials: tuple[Trial, ...], named: Corners) -> Iterator[Section]:
    if not trials:
        return
    yield Section(
        "windows",
        "Windows tried",
        texts=(_searched(trials),),
        figures=(settling_figure(spec, trials),) if len(trials) > 1 else (),
        tables=(windows_table(spec, trials, named),),
    )
