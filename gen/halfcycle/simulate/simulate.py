"""Closed-loop runs over virtual boards: split, run on all cores, judged and merged.

Pieces of boards go through joblib, so any of its engines (processes, threads, a cluster) can run
them; a piece carries the regulator's source, which each machine compiles once.
"""

from __future__ import annotations

import functools
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import AbstractContextManager, nullcontext
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from halfcycle.base.errors import Fault, InputError, ToolMissingError
from halfcycle.base.text import choice
from halfcycle.loop.moving_figures import MovingFigures
from halfcycle.regulator.plan import SCALE_ONE
from halfcycle.simulate.boards import draw, filters_inside
from halfcycle.simulate.case import AtRest, Promise, Setting
from halfcycle.simulate.cases import cases
from halfcycle.simulate.compiled_loop import CompiledLoop
from halfcycle.simulate.measurements import measure
from halfcycle.simulate.names import ENGINES
from halfcycle.simulate.overload import overload_bus_v, overload_share
from halfcycle.simulate.pace import pace
from halfcycle.simulate.setup import board, steps_per_sample, timing
from halfcycle.simulate.tally import Tally, tally

if TYPE_CHECKING:
    from halfcycle.design.types import Design
    from halfcycle.quantise.quantised import Quantised

PIECE = 256
"""Boards of one piece: about a quarter second of work and a megabyte of histories."""
MAX_ENTRIES = 4_000_000
"""Entries in the histories of one piece, 8 bytes each."""


@dataclass(frozen=True, slots=True)
class Prepared:
    """A regulator ready to be run: its setting and its C."""

    name: str
    setting: Setting
    texts: tuple[tuple[str, str], ...]


def prepare(design: Design, quantised: Quantised, generated: Mapping[str, str]) -> Prepared:
    """Gather what the runs need; ``generated`` as ``halfcycle.generate.emit.render`` gives it."""
    spec, plan = design.spec, quantised.plan
    steps_per_sample(spec, design.file)  # Refuses what cannot be simulated, before anything runs.
    inside = filters_inside(spec, design.plants)
    share = overload_share(spec)
    setting = Setting(
        spec=spec,
        window=design.window,
        adc_max=plan.adc_max,
        pace=pace(design, share),
        overload_v=overload_bus_v(spec, inside),
        overload_share=share,
        inside=inside,
        integral_gain=float(design.ki) * design.least_gain,
        promise=_promise(design),
        at_rest=_at_rest(design, quantised),
        both_ways=design.law is not None,
    )
    texts = tuple((file, generated[file]) for file in (f"{plan.name}.h", f"{plan.name}.c"))
    return Prepared(plan.name, setting, texts)


def _promise(design: Design) -> Promise:
    loop = design.loop
    start_ms = loop.start_ms if isinstance(loop, MovingFigures) else loop.settling_ms
    return Promise(loop.settling_ms, loop.overshoot_percent, start_ms)


def _at_rest(design: Design, quantised: Quantised) -> AtRest:
    rated = float(design.spec.output.rated_rms_v)
    faults, plan = design.chosen.faults, quantised.plan
    moves = (
        (
            faults.alternation_v * (corner.nyquist_gain or 0.0)
            + 3 * faults.noise_v * (corner.noise_gain or 0.0)
            + faults.ripple_v
        )
        / (rated * corner.gain)
        for corner in design.loop.corners
    )
    return AtRest(
        ripple=faults.ripple_v / rated,
        zero=faults.zero_v / rated,
        scale=2 * max(moves),
        centre=faults.centre,
        driven=plan.hold_scale / SCALE_ONE,
        climb=(3 * plan.updates * float(design.ki) + 2 * abs(float(design.kp)))
        * (float(design.spec.bridge.scale_max) if plan.law else 1.0),
        dc=design.chosen.output.dc_percent / 100,
        held_share=design.greatest_gain / design.least_gain,
    )


@functools.lru_cache(maxsize=4)
def compiled(name: str, texts: tuple[tuple[str, str], ...]) -> CompiledLoop:
    """The regulator's compiled loop, kept for the next piece of this process."""
    return CompiledLoop(name, dict(texts))


def run_piece(prepared: Prepared, case_name: str, numbers: Sequence[int], seed: int) -> Tally:
    """Run and judge the boards of consecutive ``numbers`` in one case."""
    setting = prepared.setting
    case = cases(setting)[case_name]
    draws = draw(setting.spec, numbers, seed, setting.inside)
    boards = [board(setting, case, drawn) for drawn in draws]
    history = compiled(prepared.name, prepared.texts).run(timing(setting, case), boards)
    return tally(setting, case, numbers, measure(setting, case, draws, boards, history))


def simulate(
    prepared: Prepared,
    names: Sequence[str],
    numbers: range,
    seed: int,
    *,
    engine: str = "threading",
    jobs: int = -1,
    progress: Callable[[int, int], None] | None = None,
) -> list[Tally]:
    """Every named case on the boards of ``numbers``; one tally per case, in order.

    ``engine`` is a joblib backend; ``jobs`` how many at a time, 1 and up (-1: all cores).
    ``progress`` is told (runs done, runs in all) after each piece, a run being one board in one
    case. Raises InputError (its keys: case, boards, engine) for an unknown case, an empty range or
    an unknown engine, and ToolMissingError for an engine whose package is not installed.
    """
    _check(prepared, names, numbers)
    compiled(prepared.name, prepared.texts)  # Once here, so that pieces find it built.
    totals = {name: Tally(name) for name in names}
    work = []
    for name in names:
        size = _piece(prepared.setting, name)
        work += [(name, numbers[at : at + size]) for at in range(0, len(numbers), size)]
    done = 0
    for part in _spread(prepared, work, seed, engine, jobs):
        totals[part.case].add(part)
        done += part.boards
        if progress is not None:
            progress(done, len(names) * len(numbers))
    return list(totals.values())


def _piece(setting: Setting, name: str) -> int:
    """Boards of one piece: PIECE, or fewer if a long run would fill the memory."""
    run = timing(setting, cases(setting)[name])
    entries = 2 * run.half_limit + 5 * run.window_limit
    return max(1, min(PIECE, MAX_ENTRIES // entries))


def _check(prepared: Prepared, names: Sequence[str], numbers: range) -> None:
    known = list(cases(prepared.setting))
    file = "virtual boards"
    faults = [
        Fault(file, "case", f"there is no case {name!r}", choice(name, known))
        for name in names
        if name not in known
    ]
    if len(numbers) == 0:
        faults.append(Fault(file, "boards", "there is no board to run", "ask for 1 or more"))
    if faults:
        raise InputError(faults)


def _spread(
    prepared: Prepared, work: list[tuple[str, range]], seed: int, engine: str, jobs: int
) -> Iterator[Tally]:
    from joblib import Parallel, delayed  # noqa: PLC0415 (slow to import)

    if len(work) == 1 or jobs == 1:
        for name, numbers in work:
            yield run_piece(prepared, name, numbers, seed)
        return
    with _engine(engine):
        # In the order of the work, so that the same boards are listed on every machine.
        parallel = Parallel(n_jobs=jobs, return_as="generator")
        yield from parallel(
            delayed(run_piece)(prepared, name, numbers, seed) for name, numbers in work
        )


def _engine(name: str) -> AbstractContextManager[Any]:
    """The joblib backend of this name, in force inside the context."""
    from joblib import parallel_config  # noqa: PLC0415

    if name == "dask":
        try:
            from dask.distributed import Client  # noqa: PLC0415
        except ImportError:
            raise ToolMissingError(
                "the dask engine needs dask; install it: pip install dask distributed"
            ) from None
        return _DaskEngine(Client)
    try:
        config = parallel_config(backend=name)
    except ValueError:
        raise InputError(
            [
                Fault(
                    "virtual boards",
                    "engine",
                    f"joblib has no engine {name!r} here",
                    choice(name, ENGINES),
                )
            ]
        ) from None
    return config if config is not None else nullcontext()


class _DaskEngine:
    """A dask cluster: the one that DASK_SCHEDULER_ADDRESS names, else one on this machine."""

    def __init__(self, client_type: Any) -> None:
        self._type = client_type

    def __enter__(self) -> None:
        from joblib import parallel_config  # noqa: PLC0415

        self._client = self._type()
        self._config = parallel_config(backend="dask")
        self._config.__enter__()

    def __exit__(self, *reason: object) -> None:
        self._config.__exit__(*reason)
        self._client.close()
