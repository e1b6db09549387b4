"""Checking many specs at once: each in its own folder, in parallel, and not again where unchanged.

Everything of the user's is only read.
"""

from __future__ import annotations

import multiprocessing
import os
import re
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from pathlib import Path

from halfcycle.base.errors import Fault, InputError, RefusedError
from halfcycle.check import check_cache, checks
from halfcycle.check.checks import Check, Stimulus
from halfcycle.generate.pipeline import Generation, generate
from halfcycle.prove import prove
from halfcycle.spec.load import printable
from halfcycle.spec.models import Spec
from halfcycle.verify import compiler

Progress = Callable[[int, int], None]

_PLACE = re.compile(r"\{(\w*)\}")


@dataclass(frozen=True, slots=True)
class Job:
    """A spec, read already, with the folder of its files and what to compare there."""

    file: Path
    spec: Spec
    folder: Path
    stimulus: Stimulus


@dataclass(frozen=True, slots=True)
class Result:
    """What was found for one job. ``faults``: of the spec, found while designing; then there are
    no checks. ``kept``: the answer is that of an earlier run on the same content."""

    job: Job
    checks: tuple[Check, ...]
    kept: bool = False
    faults: tuple[Fault, ...] = ()

    @property
    def passed(self) -> bool:
        """Whether every check passed."""
        return not self.faults and all(one.passed for one in self.checks)


def folder_of(pattern: str, file: Path, name: str) -> Path:
    """The folder that ``pattern`` gives for a spec: {dir} is the folder of its file, {stem} its
    file's name without the suffix, {name} the name that it gives its regulator.

    Raises InputError for any other word in braces.
    """
    words = {"dir": str(file.parent), "stem": file.stem, "name": name}
    unknown = [word for word in _PLACE.findall(pattern) if word not in words]
    if unknown:
        problem = f"{{{unknown[0]}}} stands for nothing"
        raise InputError([Fault(printable(pattern), "--dir-of", problem, "use {dir}/{name}")])
    return Path(_PLACE.sub(lambda place: words[place[1]], pattern))


def check_all(
    jobs: Sequence[Job],
    *,
    use_kept: bool = True,
    workers: int = 0,
    progress: Progress | None = None,
) -> list[Result]:
    """Check every job, in their order. ``workers``: processes at once; 0: one for each processor.

    ``progress`` is told (done, in all): jobs, or where there is only one, its samples.
    Raises InputError with the faults of all specs, and ToolMissingError without a C compiler or a
    prover that is asked for.
    """
    compiler.find()
    if any(job.stimulus.prove for job in jobs):
        prove.require()
    results: dict[int, Result] = {}
    keys: dict[int, str] = {}
    for at, job in enumerate(jobs):
        if use_kept:
            keys[at] = check_cache.key(job.spec, read(job), job.stimulus)
            checks = check_cache.recall(keys[at])
            if checks is not None:
                results[at] = Result(job, checks, kept=True)
    left = [at for at in range(len(jobs)) if at not in results]
    fresh = _run([jobs[at] for at in left], workers or os.cpu_count() or 1, progress)
    for at, result in zip(left, fresh, strict=True):
        results[at] = result
        if use_kept and not result.faults:
            check_cache.keep(keys[at], result.checks)
    faults = [fault for at in sorted(results) for fault in results[at].faults]
    if faults:
        raise InputError(faults)
    return [results[at] for at in range(len(jobs))]


def check_one(job: Job, progress: Progress | None = None) -> Result:
    """Every check of one job, all of them done now."""
    try:
        made = design(job)
    except RefusedError as refused:
        errors = [one for one in refused.findings if one.level == "error"]
        detail = "\n".join(f"{finding.key}: {finding.text}" for finding in errors)
        return Result(job, (Check("design", False, detail),))
    except InputError as error:
        return Result(job, (), faults=error.faults)
    found = read(job)
    results = checks.check_files(made, found)
    results += checks.check_code(made, found, job.stimulus, progress)
    return Result(job, tuple(results))


def design(job: Job) -> Generation:
    """What the job's spec gives now; raises as ``generation.generate`` does."""
    return generate(job.spec, printable(str(job.file)))


def read(job: Job) -> dict[str, str]:
    """The job's files as they are. Raises InputError where one cannot be read."""
    try:
        return checks.read_files(job.spec.name, job.folder)
    except OSError as error:
        file = printable(str(error.filename or job.folder))
        problem = f"cannot be read: {error.strerror}"
        raise InputError([Fault(file, "DIR", problem, "check its permissions")]) from None


def _run(jobs: Sequence[Job], workers: int, progress: Progress | None) -> Iterator[Result]:
    if len(jobs) == 1:
        yield check_one(jobs[0], progress)
        return
    for done, result in enumerate(_results(jobs, min(workers, len(jobs))), start=1):
        if progress is not None:
            progress(done, len(jobs))
        yield result


def _results(jobs: Sequence[Job], workers: int) -> Iterator[Result]:
    if workers <= 1:
        yield from map(check_one, jobs)
        return
    # Not joblib's workers: these cannot start the process in which edited C is run.
    with ProcessPoolExecutor(workers, multiprocessing.get_context("spawn")) as pool:
        yield from pool.map(check_one, jobs)
