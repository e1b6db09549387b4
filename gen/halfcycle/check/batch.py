"""Checking many specs at once: each in its own folder, in parallel, and not again if unchanged.

Everything of the user's is only read. What goes wrong with one spec leaves the others their answer.
"""

from __future__ import annotations

import contextlib
import errno
import multiprocessing
import os
import re
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor
from concurrent.futures.process import BrokenProcessPool
from dataclasses import dataclass
from pathlib import Path

from halfcycle.base import files
from halfcycle.base.errors import (
    TRACEBACK,
    Fault,
    InputError,
    RefusedError,
    ToolMissingError,
    own_fault,
)
from halfcycle.base.state import State
from halfcycle.base.text import printable
from halfcycle.check import check_cache
from halfcycle.check.checks import Check, Files, Stimulus, check_code, check_files, read_files
from halfcycle.generate.pipeline import Generation, generate
from halfcycle.prove import prove
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
    """What came out for one job. ``faults``: of its input, because of which it could not be
    checked. ``kept``: the answer is that of an earlier run on the same content. ``broken``: the
    tool itself failed on it. ``key``: of exactly what was checked (``check_cache.key``), "" if
    that must not be kept."""

    job: Job
    checks: tuple[Check, ...]
    kept: bool = False
    faults: tuple[Fault, ...] = ()
    broken: bool = False
    key: str = ""

    @property
    def passed(self) -> bool:
        """Whether every check of it passed or was skipped."""
        return all(check.passed for check in self.checks)


def folder_of(pattern: str, file: Path, name: str) -> Path:
    """The folder that ``pattern`` gives for a spec: {dir} is the folder of its file, {stem} its
    file's name without the suffix, {name} the name that it gives its regulator.

    Raises InputError for any other word in braces.
    """
    words = {"dir": str(file.parent), "stem": file.stem, "name": name}
    unknown = [word for word in _PLACE.findall(pattern) if word not in words]
    if unknown:
        problem = f"{{{unknown[0]}}} stands for nothing"
        raise InputError([Fault(printable(pattern), "folder pattern", problem, "use {dir}/{name}")])
    return Path(_PLACE.sub(lambda place: words[place[1]], pattern))


def check_all(
    jobs: Sequence[Job],
    *,
    use_kept: bool = True,
    workers: int = 0,
    progress: Progress | None = None,
) -> list[Result]:
    """Check every job, in their order. ``workers``: processes at once; 0: one for each processor.

    What is wrong with one job is in its Result, and the others are checked all the same.
    ``progress`` is told (done, in all): jobs, or of a single job its samples.
    Raises ToolMissingError without a C compiler or a prover that is asked for.
    """
    compiler.find()
    if any(job.stimulus.prove for job in jobs):
        prove.require()
    results: dict[int, Result] = {}
    for at, job in enumerate(jobs):
        if not use_kept:
            continue
        with contextlib.suppress(InputError):  # Shown when it is checked.
            key = _key(job, read(job))
            checks = check_cache.recall(key) if key else None
            if checks is not None:
                results[at] = Result(job, checks, kept=True, key=key)
    left = [at for at in range(len(jobs)) if at not in results]
    fresh = _run([jobs[at] for at in left], workers or os.cpu_count() or 1, progress)
    for at, result in zip(left, fresh, strict=True):
        results[at] = result
        if use_kept and result.key:
            # Not the key from above: the files may have changed between there and their check.
            check_cache.keep(result.key, result.checks)
    return [results[at] for at in range(len(jobs))]


def check_one(job: Job, progress: Progress | None = None) -> Result:
    """Every check of one job, all of them done now.

    Raises ToolMissingError; whatever else goes wrong is in the Result.
    """
    try:
        return _checked(job, progress)
    except RefusedError as refused:
        errors = [finding for finding in refused.findings if finding.level == "error"]
        detail = "\n".join(f"{finding.key}: {finding.text}" for finding in errors)
        return Result(job, (Check("design", State.FAILED, detail),))
    except InputError as error:
        return _unchecked(job, error)
    except ToolMissingError:
        raise
    except Exception as error:
        if isinstance(error, MemoryError) or (
            isinstance(error, OSError) and files.is_of_the_machine(error)
        ):
            system = error if isinstance(error, OSError) else OSError(errno.ENOMEM, "")
            return _unchecked(job, files.fault(job.file, system, "check"))
        if os.environ.get(TRACEBACK) == "1":
            raise
        return _broken(job, f"{type(error).__name__}: {error}")


def _checked(job: Job, progress: Progress | None) -> Result:
    generation = design(job)
    found = read(job)
    key = _key(job, found)
    checks = check_files(generation, found)
    checks += check_code(generation, found, job.stimulus, progress)
    return Result(job, tuple(checks), key=key)


def _key(job: Job, found: Files) -> str:
    """Key of the answer on these files; "" if it must not be kept."""
    return "" if found.leftovers else check_cache.key(job.spec, found.texts, job.stimulus)


def _unchecked(job: Job, error: InputError) -> Result:
    return Result(job, (Check("input", State.ERROR, str(error)),), faults=error.faults)


def _broken(job: Job, cause: str) -> Result:
    return Result(job, (Check("halfcycle itself", State.ERROR, own_fault(cause)),), broken=True)


def design(job: Job) -> Generation:
    """What the job's spec gives now; raises as ``generation.generate`` does."""
    return generate(job.spec, printable(str(job.file)))


def read(job: Job) -> Files:
    """The job's files as they are. Raises InputError if one cannot be read."""
    try:
        return read_files(job.spec.name, job.folder)
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
    with _pool(workers) as pool:
        answers = [pool.submit(check_one, job) for job in jobs]
        try:
            for job, answer in zip(jobs, answers, strict=True):
                try:
                    result = answer.result()
                except BrokenProcessPool:  # A worker was killed, perhaps by another job.
                    result = _alone(job)
                yield result
        except BaseException:  # Stopped: do not wait for what is under way.
            pool.shutdown(wait=False, cancel_futures=True)
            for worker in multiprocessing.active_children():
                worker.terminate()
            raise


def _alone(job: Job) -> Result:
    """Check a job in a worker of its own."""
    with _pool(1) as pool:
        try:
            return pool.submit(check_one, job).result()
        except BrokenProcessPool:
            return _broken(job, "the process that checked this was killed")


def _pool(workers: int) -> ProcessPoolExecutor:
    # Not joblib's workers: these cannot start the process in which edited C is run.
    return ProcessPoolExecutor(workers, multiprocessing.get_context("spawn"))
