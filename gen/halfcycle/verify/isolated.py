"""The bit-exact comparison in a process of its own: for C that nobody vouches for.

A hand-edited file may crash or never return; that must cost the caller no more than a message.
"""

from __future__ import annotations

import multiprocessing
from collections.abc import Mapping
from multiprocessing.connection import Connection
from typing import Any

from halfcycle.regulator.plan import Plan
from halfcycle.verify.compare import Verification, verify

PATIENCE_S = 60.0
SAMPLES_PER_S = 100_000
"""Far below what any machine reaches; what takes longer than this allows does not return."""

_REMEDY = "undo the edit, or generate it again"


class ProcessLostError(Exception):
    """The C crashed or did not return; the text says which."""


def verify_apart(
    plan: Plan,
    generated: Mapping[str, str],
    *,
    samples: int,
    seed: int,
    scenario: str | None = None,
    patience_s: float | None = None,
) -> Verification:
    """``compare.verify`` in a child process; raises ProcessLostError if that dies or does not end.

    ``patience_s``: seconds until it is ended; None: by the number of samples. What verify itself
    raises is raised here.
    """
    allowed = PATIENCE_S + samples / SAMPLES_PER_S if patience_s is None else patience_s
    context = multiprocessing.get_context("spawn")
    receiver, sender = context.Pipe(duplex=False)
    child = context.Process(
        target=_child,
        args=(sender, plan, dict(generated)),
        kwargs={"samples": samples, "seed": seed, "scenario": scenario},
        daemon=True,
    )
    child.start()
    sender.close()
    try:
        if not receiver.poll(allowed):
            raise ProcessLostError(f"the C did not return within {allowed:.0f} s; {_REMEDY}")
        try:
            answer = receiver.recv()
        except EOFError:
            child.join(10)
            raise ProcessLostError(
                f"the C crashed (exit status {child.exitcode}); {_REMEDY}"
            ) from None
    finally:
        receiver.close()
        child.kill()
        child.join()
    if isinstance(answer, BaseException):
        raise answer
    assert isinstance(answer, Verification)
    return answer


def _child(sender: Connection, plan: Plan, generated: dict[str, str], **chosen: Any) -> None:
    try:
        sender.send(verify(plan, generated, **chosen))
    except Exception as error:
        sender.send(error)
