"""All that the comparison does to the C, recorded once with what the model says, and tried again
on other C without the model.

In a closed loop the C decides the codes. Up to the first difference a mutant's are the recorded
ones, as they follow from the recorded scale; so it differs from the recording where it would differ
from the model.
"""

from __future__ import annotations

import copy
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from halfcycle.regulator.plan import Plan
from halfcycle.verify.compare import DEFAULT_SEED, batches
from halfcycle.verify.harness import Harness, StateOverrunError


@dataclass(frozen=True, slots=True)
class Call:
    """One call of a method of ``Harness``, and how it must end."""

    method: str
    arguments: tuple[Any, ...]
    result: Any
    after: tuple[Any, ...]
    """The arguments after it: a closed loop fills in the codes."""
    named: dict[str, Any] = field(default_factory=dict)
    """Arguments by name, which no call changes."""

    def is_met(self, harness: Harness) -> bool:
        """Whether this C does the same."""
        arguments = copy.deepcopy(self.arguments)
        result = getattr(harness, self.method)(*arguments, **copy.deepcopy(self.named))
        if self.method == "run" and not np.array_equal(arguments[0], self.after[0]):
            return False
        if isinstance(self.result, np.ndarray):
            return np.array_equal(result, self.result)
        return bool(result == self.result)


@dataclass(slots=True)
class Group:
    """The calls of one scenario, in order: each may follow from those before it."""

    name: str
    calls: list[Call] = field(default_factory=list)
    seconds: float = 0.0
    """How long the C takes for them."""

    def is_met(self, harness: Harness) -> bool:
        """Whether this C does the same in all of them."""
        return all(call.is_met(harness) for call in self.calls)


class Recorder:
    """In place of a harness: it does what that does, and remembers it."""

    def __init__(self, harness: Harness) -> None:
        self.harness = harness
        self.calls: list[Call] = []

    def __getattr__(self, method: str) -> Callable[..., Any]:
        def call(*arguments: Any, **named: Any) -> Any:
            before = copy.deepcopy(arguments)
            result = getattr(self.harness, method)(*arguments, **named)
            kept = copy.deepcopy((result, arguments))
            self.calls.append(Call(method, before, *kept, copy.deepcopy(named)))
            return result

        return call


def record(plan: Plan, harness: Harness, samples: int) -> list[Group]:
    """What ``verify`` would do to this C, which must be right. Raises ValueError if it is not."""
    groups: dict[str, Group] = {}
    recorder = Recorder(harness)
    for batch in batches(plan, recorder, samples, DEFAULT_SEED):  # type: ignore[arg-type]
        if not np.array_equal(batch.model, batch.compiled):
            raise ValueError(f"the C itself is wrong in scenario {batch.scenario}")
        group = groups.setdefault(batch.scenario, Group(batch.scenario))
        group.calls += recorder.calls
        recorder.calls = []
    for group in groups.values():
        start = time.process_time()
        assert group.is_met(harness), group.name
        group.seconds = time.process_time() - start
    return list(groups.values())


def first_unmet(groups: Sequence[Group], harness: Harness) -> int | None:
    """Which of the groups is the first that this C does otherwise; None if it does all alike."""
    for number, group in enumerate(groups):
        try:
            if not group.is_met(harness):
                return number
        except StateOverrunError:
            return number
    return None
