"""Requests to the guest (``target_guest.c``), cut for a slow emulator or for a small memory."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from halfcycle.regulator.plan import Plan
from halfcycle.regulator.state import READERS, READING
from halfcycle.regulator.turn import TURN_FIELD_NAMES
from halfcycle.targets.guest import Job
from halfcycle.verify import scenarios

Words = NDArray[np.uint32]

_EDGES = 40
"""First arguments of a call that are kept: ``verify.adversarial`` puts the edges there."""

# Words of each command; those of K and L depend on their arguments and on the state.
_LENGTHS = {
    **{"R": 1, "S": 1, "T": 2, "I": 1, "V": 2, "M": 2, "N": 2, "U": 1},
    **{"H": 3, "W": 5, "O": 5, "P": 3},
}


def record_length(state_fields: int) -> int:
    """Numbers of a record whose state has so many: then what sample and the readers returned."""
    return state_fields + 1 + len(READERS)


def commands(request: Words, state_fields: int) -> Iterator[tuple[Words, int]]:
    """Each command of a request with its arguments, and how many words it is answered by.

    ``state_fields``: numbers of the regulator's state.
    """
    record = record_length(state_fields)
    answered = {"S": state_fields, "V": 1, "M": 1, "N": record, "U": record}
    answered["P"] = len(TURN_FIELD_NAMES) + 1
    answered["H"] = state_fields + 1 + len(READING)
    at = 0
    while at < len(request):
        name = chr(request[at])
        if name == "K":
            ticks = int(request[at + 1])
            length, answers = 2 + ticks, ticks * record
        elif name == "L":
            length, answers = 1 + state_fields, 0
        else:
            length = _LENGTHS[name]
            answers = 2 * int(request[at + 4]) if name == "W" else answered.get(name, 0)
        yield request[at : at + length], answers
        at += length


def _parts(command: Words, answers: int, ticks: int, phases: int) -> Iterator[tuple[Words, int]]:
    """``command`` as several, of at most so many ticks or phases each."""
    name = chr(command[0])
    if name == "K" and len(command) - 2 > ticks:
        record = answers // (len(command) - 2)
        for start in range(2, len(command), ticks):
            words = command[start : start + ticks]
            head = np.asarray([ord("K"), len(words)], np.uint32)
            yield np.concatenate([head, words]), len(words) * record
    elif name == "W" and int(command[4]) > phases:
        _, scale, first, step, count = command.tolist()
        for start in range(0, count, phases):
            some = min(phases, count - start)
            phase = (first + start * step) & 0xFFFF
            yield np.asarray([ord("W"), scale, phase, step, some], np.uint32), 2 * some
    else:
        yield command, answers


def chunks(
    requests: Sequence[Words], state_fields: int, most_in: int, most_out: int
) -> Iterator[tuple[Words, int]]:
    """The requests as a sequence of others, each with the number of words that it is answered by.

    None is longer than ``most_in`` words or answered by more than ``most_out``.
    """
    taken: list[Words] = []
    size = due = 0
    ticks = min(most_in - 2, most_out // record_length(state_fields))
    for request in requests:
        for command, answers in commands(request, state_fields):
            for part, words in _parts(command, answers, ticks, most_out // 2):
                if taken and (size + len(part) > most_in or due + words > most_out):
                    yield np.concatenate(taken), due
                    taken, size, due = [], 0, 0
                taken.append(part)
                size, due = size + len(part), due + words
    if taken:
        yield np.concatenate(taken), due


def shortened(job: Job, columns: int) -> Job:
    """The first ``columns`` columns of a job."""
    if columns >= job.expected.shape[1]:
        return job
    taken: list[Words] = []
    left = columns
    for command, answers in commands(job.request, job.state_fields):
        if left == 0:
            break
        part, words = next(_parts(command, answers, left, left))
        taken.append(part)
        left -= words // len(job.fields)
    return replace(job, request=np.concatenate(taken), expected=job.expected[:, :columns])


def thinned(job: Job, columns: int) -> Job:
    """Some ``columns`` columns of a job of two-word commands: the first, the last, some between.

    The places of a difference are then counted among those.
    """
    every = job.expected.shape[1]
    if columns >= every:
        return job
    spread = np.rint(np.linspace(0, every - 1, columns)).astype(np.int64)
    chosen = np.unique(np.concatenate([np.arange(min(_EDGES, every)), spread]))
    request = job.request.reshape(-1, 2)[chosen].reshape(-1)
    return replace(job, request=request, expected=job.expected[:, chosen])


def bounded(jobs: Sequence[Job], plan: Plan, samples: int) -> list[Job]:
    """The jobs cut to some ``samples`` samples over all scenarios, for a slow emulator.

    Each scenario runs from its start, over one window's end at least; of the single calls of each
    kind a tenth of ``samples`` are kept.
    """
    ticks = max(-(-samples // len(scenarios.SCENARIOS)), plan.samples + 2)
    calls = max(1, samples // 10)
    taken = []
    for job in jobs:
        if job.scenario in scenarios.SCENARIOS:
            left = ticks - job.start
            if left > 0:
                taken.append(shortened(job, left))
        elif job.scenario in ("targets", "millivolts"):
            taken.append(thinned(job, calls))
        elif job.scenario in ("update_states", "sample_states", "readings"):
            taken.append(shortened(job, calls))
        else:
            taken.append(job)
    return taken
