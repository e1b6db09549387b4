"""From a Spec to a Design: window, gains and their figures over the corners, in real numbers.

Windows come in kinds, from the cheapest to the dearest: plain, moving flat, shaped, moving shaped.
Of those that a spec allows, the ones are in question whose gains meet settling and overshoot at
every corner, whose whole steady error, as the integers have it, stays inside the voltage tolerance,
and which make no more DC at the output than is allowed. The cheapest kind that has any is taken,
and of it the shortest window with the fewest updates; a spec that asks for the fastest loop gets
the window that settles first. The normalised law is looked at, if the law is open, where no window
is in question with the plain one, and by specs that ask for the fastest loop.

If a plain window's count is odd and the flipping zero would move the output by more than a quarter
of the tolerance, twice that window is taken if it is in question too. If none is in question, the
first, in the same order, of those that meet the targets with about the least steady error is taken,
and the findings say so. Given gains are taken as they are: if they meet the targets with no window,
with the shortest one inside the tolerance.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import replace
from functools import cached_property

from halfcycle.design.findings import findings
from halfcycle.design.kinds import Candidates, has_zero_at_f
from halfcycle.design.late_update import late_update
from halfcycle.design.law import first_normalised, look, may_normalise, under
from halfcycle.design.reach import plants_of, reaches
from halfcycle.design.refusal import out_of_reach, refusal
from halfcycle.design.trial import asking_for_the_fastest, try_window
from halfcycle.design.types import Design, LateUpdate, LoopGains, Trial
from halfcycle.loop.discretise import WindowGains, to_continuous
from halfcycle.loop.moving import MovingRefusal, can_settle, may_settle
from halfcycle.loop.plant_types import Plants
from halfcycle.spec.models import Spec
from halfcycle.windows.candidates import reading_faults
from halfcycle.windows.search import Window

ABOUT_LEAST = 1.1
"""If every steady error is too large, the first window is taken of those within a tenth of the
least, so a cheaper kind before a dearer one, and in a kind the shortest: a longer one averages a
little more noise and is slower."""

HOPELESS = 1.25
"""A window that settles in more than so many times what is asked for has no longer one that does:
settling grows with the length, but for the chances of single resonances."""

LATE_WINDOWS = 3
"""Given gains that settle so many of the shortest windows later than asked for, or more, do so with
other kinds too: how fast they are hardly depends on the window."""

SAME_MS = 0.05
"""Settling times that differ by less are the same: the window that was tried first is kept."""

IntegerError = Callable[[Design], float]
"""What the integers of a design add to its steady error, volts RMS either way."""


def design(
    spec: Spec,
    file: str = "spec",
    *,
    weigh_double: bool = True,
    integer_error_v: IntegerError | None = None,
) -> Design:
    """The Design of ``spec``; ``file`` is how messages name it.

    ``weigh_double``: try twice the chosen window too, to say what it would buy and cost. For a
    chosen one with an odd count that is always done, as the choice and a finding depend on it.
    ``integer_error_v``: what the stage of the integers says of a design, so that windows are chosen
    by the very steady error by which designs are refused; None leaves that share out.

    Raises InputError if a key asks for what cannot be, and RefusedError if a valid spec cannot be
    met: its findings say what can. A Design may still carry findings of level "error": it must not
    ship.
    """
    search = _Search(spec, file, integer_error_v)
    if spec.gains is None and (beyond := search.beyond_reach()) is not None:
        raise out_of_reach(spec, *beyond)
    anyhow = spec.gains is not None or spec.settling_limit_ms is not None
    chosen = search.cheapest() if anyhow else search.fastest()
    chosen = search.unless_flipping(chosen, weigh_double)
    missed = chosen is None or not chosen.in_question
    in_reach = any(trial.in_reach for trial in search.trials)  # No law brings a voltage there.
    if (missed or not anyhow) and in_reach and may_normalise(spec):
        other = _Search(under(spec, "normalised"), file, integer_error_v)
        if anyhow:
            normalised = first_normalised(other.spec, file, other.tried, other.hopeless)
        else:
            normalised = other.fastest()
        # Each law with the window that it would have in the end.
        normalised = other.unless_flipping(normalised, weigh_double)
        if (
            normalised
            and normalised.in_question
            and (missed or chosen is None or _sooner(normalised, chosen))
        ):
            search, chosen = other, normalised
    if chosen is None:
        raise refusal(spec, search.trials, file)
    trials, analysed = search.in_order(chosen), chosen.analysed
    chosen = next(trial for trial in trials if trial.window == chosen.window)
    complete = replace(
        _design(spec, file, chosen),
        trials=trials,
        late=late_update(spec, chosen, analysed),
    )
    return replace(complete, findings=tuple(findings(complete)))


def with_dearer(designed: Design, integer_error_v: IntegerError | None = None) -> Design:
    """A Design that says what the next kind of window would buy; ``integer_error_v`` as in
    :func:`design`."""
    search = _Search(designed.spec, designed.file, integer_error_v)
    dearer = search.dearer(designed.chosen)
    complete = replace(
        designed,
        dearer=dearer.complete(margins=False) if dearer else None,
        other_law=look(designed.spec, designed.chosen, designed.file),
    )
    return replace(complete, findings=tuple(findings(complete)))


class _Search:
    """Windows of a spec that are tried, each once."""

    def __init__(self, spec: Spec, file: str, integer_error_v: IntegerError | None) -> None:
        self.spec, self.file, self.integer_error_v = spec, file, integer_error_v
        self.candidates = Candidates(spec, file)
        self.trials: list[Trial] = []

    def tried(self, window: Window, *, finer: bool = True) -> Trial:
        """The trial of ``window``; ``finer`` as in ``try_window``."""
        for trial in self.trials:
            if trial.window == window:
                return trial
        trial = try_window(self.spec, window, self.file, finer=finer)
        if self.integer_error_v is not None and trial.meets:
            error_v = self.integer_error_v(_design(self.spec, self.file, trial))
            trial = replace(trial, integer_error_v=error_v)
        self.trials.append(trial)
        return trial

    def in_order(self, chosen: Trial) -> tuple[Trial, ...]:
        """The trials, the cheapest kind first, the shortest window first in each; with all
        margins if it is ``chosen``."""
        kinds = self.candidates.kinds
        return tuple(
            sorted(
                (trial.complete(margins=trial is chosen) for trial in self.trials),
                key=lambda trial: (
                    kinds.index(trial.window.kind),
                    trial.window.samples,
                    trial.window.updates,
                ),
            )
        )

    def cheapest(self) -> Trial | None:
        """The first in question, by the order of the kinds; else the best that meets the
        targets."""
        for kind in self.candidates.kinds:
            if kind != "plain" and self._far_too_slow():
                break
            trial = self._first(self.candidates.worth_trying(kind))
            if trial is not None:
                return trial
        return _best_of(self.spec, self.trials)

    @cached_property
    def _in_reach(self) -> bool:
        """Whether rated voltage can be had at every corner with any window worth a try."""
        return any(reaches(self.spec, window, self.file) for window in self._worth_trying())

    def _worth_trying(self) -> Iterator[Window]:
        """The windows with the most updates, the cheapest kind first."""
        candidates = self.candidates
        for kind in candidates.kinds:
            for row in candidates.worth_trying(kind):
                yield row[-1]

    def beyond_reach(self) -> tuple[Window, Plants] | None:
        """If rated voltage cannot be had with any window: the first one, with its plants. Known
        before any is tried, as no gains bring a voltage there."""
        if self._in_reach:
            return None
        first = next(self._worth_trying(), None)
        plants = None if first is None else plants_of(self.spec, first, self.file)
        return None if first is None or plants is None else (first, plants)

    def _out_of_reach(self, window: Window) -> bool:
        """Whether rated voltage cannot be had with ``window``, which is then not tried. If it
        cannot be had with any, one is, to say so."""
        if self._in_reach:
            return not reaches(self.spec, window, self.file)
        return bool(self.trials)

    def _far_too_slow(self) -> bool:
        """Whether given gains settle so late with every window tried that no kind has it sooner."""
        limit_ms = self.spec.settling_limit_ms
        if self.spec.gains is None or limit_ms is None or not self.trials:
            return False
        hopeless_ms = float(limit_ms) + LATE_WINDOWS * self.trials[0].window.duration_ms
        times = [trial.loop.settling_ms for trial in self.trials]
        return all(time is None or time > hopeless_ms for time in times)

    def _first(self, rows: Sequence[Sequence[Window]]) -> Trial | None:
        """The first window in question. Each row holds windows of one length, from the fewest
        updates on: if the most updates settle nothing in time, the others are left out, and so are
        longer windows if they are hopeless. If targets are met but too much is wrong with the
        output, only the most updates may mend it."""
        hopeless = False
        for row in rows:
            if self._out_of_reach(row[-1]):
                continue
            # One with a zero at f may be longer and faster than one that the sensor's zero moves.
            if self._surely_off(row[-1]) or (hopeless and not self._first_at_rest(row, rows)):
                continue
            for window in row if self._may_settle(row) else row[-1:]:
                if (trial := self.tried(window)).in_question:
                    return trial
                if trial.on_target and self.tried(row[-1]).in_question:
                    return self.tried(row[-1])
                if trial.on_target:
                    break
            if row[-1].kind != "plain" and self.hopeless(self.tried(row[-1])):
                hopeless = True
        return None

    def _first_at_rest(self, row: Sequence[Window], rows: Sequence[Sequence[Window]]) -> bool:
        """Whether ``row`` is the first with a zero at f, and not the first of all."""
        return row is next(filter(has_zero_at_f, rows), None) and row is not rows[0]

    def _may_settle(self, row: Sequence[Window]) -> bool:
        """Whether a first look at the most updates leaves hope."""
        limit_ms = self.spec.settling_limit_ms
        if len(row) == 1 or limit_ms is None:
            return True
        if self.spec.gains is not None:
            return row[-1].kind == "plain" or self.tried(row[-1]).on_target
        return may_settle(self.spec, row[-1], float(limit_ms) / 1000)

    def _surely_off(self, window: Window) -> bool:
        """Whether a window of blocks is off by more than the tolerance with any gains. If none that
        was tried meets the targets, it is of use all the same."""
        if window.blocks == 1 or not any(trial.meets for trial in self.trials):
            return False
        return reading_faults(self.spec, window).spread_v > self.spec.tolerance_v

    def hopeless(self, trial: Trial) -> bool:
        """Whether a window misses the settling time by so much that no longer one has it."""
        limit_ms, refused = self.spec.settling_limit_ms, trial.refusal
        if refused is None or limit_ms is None:
            return False
        least_ms = refused.settling_ms
        if isinstance(refused, MovingRefusal):
            least_ms = refused.at_least_ms
        return least_ms is None or least_ms > HOPELESS * float(limit_ms)

    def fastest(self) -> Trial | None:
        """The one in question that settles first. Windows with fewer updates are slower than the
        same with more, so that they are tried only if the spec allows no others."""
        kinds = self.candidates.kinds
        moving = [kind for kind in kinds if kind.startswith("moving")]
        best: Trial | None = None
        for kind in reversed(moving or kinds):
            for row in self.candidates.worth_trying(kind):
                if self._out_of_reach(row[-1]):
                    continue
                if best is not None and self._surely_later(row[-1], best):
                    continue
                trial = self.tried(row[-1])
                if trial.in_question and (best is None or _sooner(trial, best)):
                    best = trial
                elif best is not None and _much_later(trial, best):
                    break
        if best is None and moving:
            return self.cheapest()
        return best or _best_of(self.spec, self.trials)

    def _surely_later(self, window: Window, best: Trial) -> bool:
        """Whether a search over a few boards shows that no constants of ``window`` settle sooner
        than ``best``."""
        settles = best.loop.settling_ms
        if window.blocks == 1 or settles is None or self.spec.gains is not None:
            return False
        return not can_settle(self.spec, window, settles / 1000)

    def dearer(self, chosen: Trial) -> Trial | None:
        """The fastest loop with the next kind that moves, if it settles sooner than ``chosen``. One
        window is tried, the shortest one that may be in question, on the coarse grid alone: it
        takes a while."""
        if self.spec.gains is not None or self.spec.settling_limit_ms is None:
            return None
        sooner = _Search(asking_for_the_fastest(self.spec), self.file, self.integer_error_v)
        kinds = self.candidates.kinds
        for kind in kinds[kinds.index(chosen.window.kind) + 1 :]:
            rows = sooner.candidates.worth_trying(kind) if kind.startswith("moving") else ()
            if rows:
                trial = sooner.tried(rows[0][-1], finer=False)
                return trial if trial.in_question and _sooner(trial, chosen) else None
        return None

    def unless_flipping(self, chosen: Trial | None, weigh_double: bool) -> Trial | None:
        """Twice a plain window that was chosen if that one's zero flips the output by too much and
        this one is as good in all else. Tries it if it is wanted or may be chosen."""
        if chosen is None or chosen.window.kind != "plain":
            return chosen
        window = chosen.window
        double = window.times(2)
        fits = double.duration_s * 1000 <= self.spec.loop.longest_window_ms
        if not fits or not (weigh_double or window.odd):
            return chosen
        trial = self.tried(double)
        loop = self.spec.loop
        free = loop.half_cycles == "auto" and loop.samples == "auto"
        return trial if free and chosen.flips and trial.in_question else chosen


def _sooner(trial: Trial, other: Trial) -> bool:
    """Whether one settles clearly before the other."""
    settles, than = trial.loop.settling_ms, other.loop.settling_ms
    return settles is not None and (than is None or settles < than - SAME_MS)


def _much_later(trial: Trial, other: Trial) -> bool:
    """Whether one settles so much later that longer windows need no look."""
    settles, than = trial.loop.settling_ms, other.loop.settling_ms
    return settles is None or than is None or settles > HOPELESS * than


def _best_of(spec: Spec, trials: Sequence[Trial]) -> Trial | None:
    """The best of those that meet the targets, if none is in question. With too much DC only if
    the user insists on the window or the gains."""
    insists = (spec.loop.half_cycles, spec.loop.samples) != ("auto", "auto")
    anyhow = insists or spec.gains is not None
    meeting = [trial for trial in trials if trial.meets and (anyhow or trial.little_dc)]
    meeting = [trial for trial in meeting if trial.in_reach] or meeting
    inside = [trial for trial in meeting if trial.within_tolerance]
    if inside:
        return inside[0]
    least = min((trial.steady_error_v for trial in meeting), default=0.0)
    near = (trial for trial in meeting if trial.steady_error_v <= ABOUT_LEAST * least)
    return next(near, None)


def _design(spec: Spec, file: str, trial: Trial) -> Design:
    """The Design with one window, before anything is said about it."""
    constants = WindowGains(trial.kp, trial.ki)
    master = to_continuous(constants, trial.window.update_s, spec.loop.integration)
    return Design(
        file=file,
        spec=spec,
        chosen=trial,
        trials=(trial,),
        gains=LoopGains(
            proportional=float(master.proportional),
            integral_per_s=float(master.integral_per_s),
            integral_per_window=float(trial.ki),
        ),
        late=LateUpdate(None, None),
        findings=(),
    )
