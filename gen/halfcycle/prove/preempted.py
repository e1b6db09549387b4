"""What may come in between the accesses of a call, and what must not come of it: ``torn``.

Every call runs on the C that is checked, piece by piece of every shared field, and at each place
where it matters others preempt it: once, and as often as a reader must notice. It must end as one
of the same calls in some order, or, if it is a reading or says that it took nothing, as that says.
"""

from __future__ import annotations

import itertools
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, field
from functools import partial

from halfcycle.prove import meetings
from halfcycle.prove.c_source import UNREADABLE, Source, parse
from halfcycle.prove.interleaving import Call, Memory, Runner, Told, Values
from halfcycle.prove.meetings import Meeting, Step
from halfcycle.regulator.plan import UPDATES_MASK, WORD_MASK, Plan
from halfcycle.regulator.turn import Turn

INT_BITS = 16
PIECE_BITS = 8
"""What a processor of 16 or 32 bits can see is among what one of 8 bits can."""
SHOWN = 3
TRIES = 4
"""Tries of a reading, as the header says."""
COUNT_AGAIN = 256
"""Hand-overs after which a sequence is as it was."""
AGAIN = 9
"""Pieces within which a field of 32 bits is read, its sequence, and the field once more."""

End = tuple[Told, Values]


@dataclass(slots=True)
class Trials:
    """What was tried, and the first faults."""

    count: int = 0
    faults: list[str] = field(default_factory=list)


def proof(plan: Plan, files: Mapping[str, str]) -> tuple[bool, str]:
    """Whether nothing is torn in the C, and in words what was tried or what is."""
    try:
        trials = torn(plan, parse(files, f"{plan.name}.c", INT_BITS))
    except UNREADABLE as error:
        return False, f"not shown: {error}"
    if trials.faults:
        return False, "; ".join(dict.fromkeys(trials.faults[:SHOWN]))
    return True, f"none of {trials.count:,} preemptions, byte by byte, leaves half of each"


def torn(plan: Plan, source: Source) -> Trials:
    """Every meeting of the regulator's calls, in states whose slots have no byte in common, up to
    as many faults as are shown."""
    trials = Trials()
    for attempt in _attempts(trials, plan, source):
        attempt()
        if len(trials.faults) >= SHOWN:
            break
    return trials


def _attempts(trials: Trials, plan: Plan, source: Source) -> Iterator[Callable[[], None]]:
    """The trials, one kind of them in one state after the other."""
    runner = Runner(source, plan.name)
    candidates = meetings.candidates(plan, source)
    states = meetings.states(plan, candidates)
    for number, values in enumerate(states):
        for meeting in meetings.writers(plan):
            yield partial(_try, trials, plan, runner, values, meeting, with_splits=number == 0)
        for meeting in meetings.readers(plan):
            yield partial(_try_reader, trials, plan, runner, values, meeting)
        yield partial(_try_after_a_turn_of_the_sequence, trials, plan, runner, values)
    telling = _told_by_the_target(plan, runner, candidates)
    if telling is not None:
        yield partial(_try, trials, plan, runner, telling, meetings.targets(plan), with_splits=True)
    yield partial(_try_other_core, trials, plan, runner, states[0])
    yield partial(_try_pending, trials, plan, runner, states[0])
    yield partial(_try_each_try, trials, plan, runner, states[0])
    if plan.turning is not None:
        yield partial(_try_oscillator, trials, plan, source)


def _told_by_the_target(plan: Plan, runner: Runner, states: list[Values]) -> Values | None:
    """The first of the states in which an update would end otherwise if half of its target were
    that of the second of two calls: it neither fails nor drives to a limit. None if there is none.
    """
    known = {"target", "target_sequence", "inverse", "aim", "aim_inverse"}

    def end(values: Values, *steps: Step) -> Values:
        memory = runner.memory(values, 64)
        _run(runner, memory, steps)
        runner.run(memory, Call("update"))
        return {name: row for name, row in memory.values.items() if name not in known}

    first, second = (turn[0] for turn in meetings.targets(plan).turns[:2])
    for values in states:
        whole = [end(values), end(values, first), end(values, first, second)]
        memory = runner.memory(values, 64)
        _run(runner, memory, (first, second))
        slot = values["target_sequence"][0] & 1
        before, after = (state["target"][slot] for state in (values, memory.values))
        halves = (before & ~255 | after & 255, after & ~255 | before & 255)
        torn = [end({**values, "target": [half, half]}) for half in halves]
        if not any(state in whole for state in torn):
            return values
    return None


def _run(runner: Runner, memory: Memory, steps: tuple[Step, ...]) -> None:
    """Run them in between: their own accesses do not count, and nothing preempts them."""
    count, waiting = memory.accesses, memory.preempt
    memory.preempt = {}
    for step in steps:
        memory.values.update({name: list(values) for name, values in step.sets.items()})
        runner.run(memory, step.call)
    memory.accesses, memory.preempt = count, waiting


def _orders(plan: Plan, runner: Runner, values: Values, meeting: Meeting, turns: int) -> list[End]:
    """The ends of ``low`` after each number of so many ``turns``, and if it may take nothing."""
    ends: list[End] = []
    for before in range(turns + 1):
        memory = runner.memory(values, 64)
        _run(runner, memory, tuple(itertools.chain(*meeting.turns[:before])))
        told = runner.run(memory, meeting.low)
        _run(runner, memory, tuple(itertools.chain(*meeting.turns[before:turns])))
        ends.append((told, memory.values))
    every = tuple(itertools.chain(*meeting.turns[:turns]))
    if meeting.may_take_nothing and turns > 1:
        memory = runner.memory(values, 64)
        _run(runner, memory, every)
        ends.append((None, memory.values))
    if plan.law and turns > 1 and meeting.turns[0][0].call.name == "set_target_mv":
        # The pair before once more: as if no target had been set since.
        kept = {"target": [values["aim"][0]] * 2, "inverse": [values["aim_inverse"][0]] * 2}
        memory = runner.memory({**values, **kept}, 64)
        runner.run(memory, meeting.low)
        memory.values |= {name: list(values[name]) for name in kept}
        _run(runner, memory, every)
        ends.append((None, memory.values))
    return ends


def _places(runner: Runner, values: Values, meeting: Meeting) -> list[int]:
    """Before which pieces it matters that ``meeting``'s turns come in between: those of fields that
    one side stores."""
    memory = runner.memory(values, PIECE_BITS)
    runner.run(memory, meeting.low)
    moved, low = memory.moved, memory.touched
    other = runner.memory(values, PIECE_BITS)
    _run(runner, other, tuple(itertools.chain(*meeting.turns)))
    # ``sets`` stand for samples.
    high = other.touched
    return [
        place
        for place, (name, access) in enumerate(moved)
        if (name, "store") in high or (access == "store" and (name, "load") in high)
    ] + ([len(moved)] if low & high else [])


def _in_a_row(
    places: list[int], turns: int, with_splits: bool
) -> Iterator[tuple[bool, tuple[int, ...]]]:
    """Places for so many turns, one after the other, and whether the lowest byte moves first: all
    at one, in either order of the bytes, two at each two, and of four three at one and the last
    while what they tore is read once more."""
    for low_first, place in itertools.product((True, False), places):
        yield low_first, (place,) * turns
    if turns == 2 and with_splits:
        yield from ((True, two) for two in itertools.combinations(places, 2))
    if turns == 4 and with_splits:
        for place, later in itertools.product(places, range(1, AGAIN + 1)):
            yield True, (place, place, place, place + later)


def _try(
    trials: Trials,
    plan: Plan,
    runner: Runner,
    values: Values,
    meeting: Meeting,
    *,
    with_splits: bool,
) -> None:
    places = _places(runner, values, meeting)
    for turns in range(1, len(meeting.turns) + 1):
        legal = _orders(plan, runner, values, meeting, turns)
        for low_first, chosen in _in_a_row(places, turns, with_splits):
            memory = runner.memory(values, PIECE_BITS, low_first)
            told = _preempted(runner, memory, meeting, chosen)
            trials.count += 1
            if memory.preempt or _is_legal((told, memory.values), legal, meeting.by_field):
                continue
            trials.faults.append(_said(runner, values, meeting, chosen))
            return


def _preempted(runner: Runner, memory: Memory, meeting: Meeting, chosen: tuple[int, ...]) -> Told:
    """Run ``low``, each turn before its piece."""

    def at(place: int) -> Callable[[], None]:
        here = (turn for turn, where in zip(meeting.turns, chosen, strict=False) if where == place)
        steps = tuple(itertools.chain(*here))
        return lambda: _run(runner, memory, steps)

    memory.preempt = {place: at(place) for place in set(chosen)}
    return runner.run(memory, meeting.low)


def _is_legal(end: End, legal: list[End], by_field: bool) -> bool:
    if not by_field:
        return end in legal
    told, values = end
    return any(told == other for other, _ in legal) and all(
        any(value == other[name] for _, other in legal) for name, value in values.items()
    )


def _try_reader(
    trials: Trials, plan: Plan, runner: Runner, values: Values, meeting: Meeting
) -> None:
    """A reader changes nothing, so that what preempts it leaves the same wherever it comes."""
    after = [_with_outputs(plan, values, 0)]
    for number, turn in enumerate(meeting.turns, start=1):
        memory = runner.memory(after[-1], 64)
        _run(runner, memory, turn)
        moved = memory.values["output_sequence"] != after[-1]["output_sequence"]
        after.append(_with_outputs(plan, memory.values, number) if moved else memory.values)
    told = [runner.run(runner.memory(state, 64), meeting.low) for state in after]
    pieces = runner.accesses(values, meeting.low, PIECE_BITS)
    for turns in range(1, len(meeting.turns) + 1):
        for low_first, chosen in _in_a_row(list(range(pieces)), turns, with_splits=True):
            memory = runner.memory(after[0], PIECE_BITS, low_first)
            got = _overtaken(trials, runner, memory, meeting.low, chosen, after)
            if not (got in told[: turns + 1] or _is_overtaken(got)):
                trials.faults.append(_said(runner, values, meeting, chosen))
                return


def _with_outputs(plan: Plan, values: Values, number: int) -> Values:
    """With outputs in use that differ from those of the updates before in every byte."""
    slot, low = values["output_sequence"][0] & 1, meetings.LOW_BYTES[number]
    changed = {"flags": meetings.FLAGS[number] & plan.all_flags}
    for name, top in (("scale", plan.scale_top), ("reading", plan.reading_max)):
        changed[name] = min(int(top * meetings.OUTPUTS[number]) & ~255 | low, top)
    outputs = {name: list(values[name]) for name in changed}
    for name, value in changed.items():
        outputs[name][slot] = value
    return {**values, **outputs}


def _overtaken(  # noqa: PLR0917 (the meeting's parts)
    trials: Trials,
    runner: Runner,
    memory: Memory,
    low: Call,
    chosen: tuple[int, ...],
    after: list[Values],
) -> Told:
    """What ``low`` tells with the state as ``after`` so many turns from each place of ``chosen``
    on."""

    def at(state: Values) -> Callable[[], None]:
        def run() -> None:
            memory.values = {name: list(row) for name, row in state.items()}

        return run

    trials.count += 1
    memory.preempt = {place: at(after[n + 1]) for n, place in enumerate(chosen)}
    return runner.run(memory, low)


def _is_overtaken(told: Told) -> bool:
    """Whether a reading says itself that it is not whole."""
    return isinstance(told, tuple) and told[0] == 0


def _try_after_a_turn_of_the_sequence(
    trials: Trials, plan: Plan, runner: Runner, values: Values
) -> None:
    """A reading that so many updates overtake that the sequence is what it was: their count tells.
    They are two, with the sequence put back and the counts on by the others."""
    low = Call("read")
    memory = runner.memory(values, 64)
    for step in meetings.windows(plan)[1:3]:
        _run(runner, memory, (step, Step(Call("update"))))
    later = memory.values
    later["output_sequence"] = list(values["output_sequence"])
    later["updates"] = [(n + COUNT_AGAIN - 2) & UPDATES_MASK for n in later["updates"]]
    told = [runner.run(runner.memory(state, 64), low) for state in (values, later)]
    for place in range(runner.accesses(values, low, PIECE_BITS)):
        memory = runner.memory(values, PIECE_BITS)
        got = _overtaken(trials, runner, memory, low, (place,), [values, later])
        if not (got in told or _is_overtaken(got)):
            trials.faults.append(
                f"{low.name} tells half of each if {COUNT_AGAIN} updates come before "
                f"its access to {_field_at(runner, values, low, place)}"
            )
            return


def _try_other_core(trials: Trials, plan: Plan, runner: Runner, values: Values) -> None:
    """A reading of another core: some of its fields are read after two updates, but for some pieces
    of the second one, and the others when that is done."""
    low = Call("read")
    after, parts = [values], [values]
    for step in meetings.windows(plan)[1:3]:
        memory = runner.memory(after[-1], PIECE_BITS)
        _run(runner, memory, (step,))
        parts = _parts(runner, memory, Call("update"))
        after.append(memory.values)
    told = [runner.run(runner.memory(state, 64), low) for state in after]
    memory = runner.memory(values, PIECE_BITS)
    runner.run(memory, low)
    begins = [n for n, piece in enumerate(memory.moved) if not n or piece != memory.moved[n - 1]]
    seen = {name for name, _ in memory.touched}
    for part, chosen in itertools.product(
        _different(parts, seen), itertools.combinations(begins, 2)
    ):
        memory = runner.memory(values, PIECE_BITS)
        got = _overtaken(trials, runner, memory, low, chosen, [values, part, after[-1]])
        if not (got in told or _is_overtaken(got)):
            trials.faults.append(
                f"{low.name} of another core tells half of each if the second of two updates is "
                f"not done at its access to {_field_at(runner, values, low, chosen[0])}"
            )
            return


def _try_pending(trials: Trials, plan: Plan, runner: Runner, values: Values) -> None:
    """A reading of another core while a block ends and its update begins: it tells no more pending
    blocks than there are."""
    low = Call("read")
    memory = runner.memory(values, PIECE_BITS)
    _run(runner, memory, (Step(Call("update")),))
    base = {name: list(row) for name, row in memory.values.items()}
    _run(runner, memory, (meetings.windows(plan)[1],))
    counters = {"window_sequence", "taken_sequence", "output_sequence", "updates"}
    parts = _different(_parts(runner, memory, Call("update")), counters)
    places = range(runner.accesses(base, low, PIECE_BITS))
    for part, place in itertools.product(parts, places):
        memory = runner.memory(base, PIECE_BITS)
        got = _overtaken(trials, runner, memory, low, (place,), [base, part])
        if not _is_overtaken(got) and memory.pending > 1:
            trials.faults.append(
                f"{low.name} of another core tells {memory.pending} pending blocks if one ends and "
                f"its update begins before its access to {_field_at(runner, base, low, place)}"
            )
            return


def _try_each_try(trials: Trials, plan: Plan, runner: Runner, values: Values) -> None:
    """A reading whose every try an update overtakes is whole at the fourth try, and says that it is
    not if that is overtaken too."""
    low = Call("read")
    after = [values]
    for step in meetings.windows(plan):
        memory = runner.memory(after[-1], 64)
        _run(runner, memory, (step, Step(Call("update"))))
        after.append(memory.values)
    pieces = runner.accesses(values, low, PIECE_BITS)
    for overtaken in range(1, TRIES + 1):
        # Before the second piece of each try, of which all move as many.
        places = tuple(attempt * pieces + 1 for attempt in range(overtaken))
        memory = runner.memory(values, PIECE_BITS)
        got = _overtaken(trials, runner, memory, low, places, after)
        whole = runner.run(runner.memory(after[overtaken], 64), low)
        if got != whole if overtaken < TRIES else not _is_overtaken(got):
            trials.faults.append(
                f"{low.name} that {overtaken} updates overtake, one in each try, "
                + ("is not that of the last" if overtaken < TRIES else "does not say so")
            )
            return


def _different(parts: list[Values], names: set[str]) -> list[Values]:
    """Those of successive states that differ from the one before in a field of ``names``."""
    return [
        part
        for n, part in enumerate(parts)
        if not n or any(part[name] != parts[n - 1][name] for name in names)
    ]


def _parts(runner: Runner, memory: Memory, call: Call) -> list[Values]:
    """Run it; the state before each piece that differs from the one before."""
    parts: list[Values] = []

    def keep() -> None:
        now = {name: list(row) for name, row in memory.values.items()}
        if not parts or parts[-1] != now:
            parts.append(now)

    pieces = runner.accesses(memory.values, call, memory.piece_bits)
    memory.accesses, memory.preempt = 0, dict.fromkeys(range(pieces), keep)
    runner.run(memory, call)
    return parts


def _try_oscillator(trials: Trials, plan: Plan, source: Source) -> None:
    """The PWM's interrupt inside a change of frequency."""
    turning = plan.turning
    assert turning is not None
    runner = Runner(source.seen_from(f"{plan.name}_turn"), plan.name)
    middle = (turning.low_mhz + turning.high_mhz) // 2
    meeting = Meeting(Call("turn_set_millihertz", middle + 123), ((Step(Call("turn_next")),),))
    fields = Turn(turning).fields()
    for sequence in (0, 255):
        values = {
            "phase": [WORD_MASK - turning.low_step],
            "step": [fields["step_0"] ^ 0x0101, fields["step_1"] ^ 0x0202],
            "step_sequence": [sequence],
        }
        _try(trials, plan, runner, values, meeting, with_splits=False)


def _field_at(runner: Runner, values: Values, low: Call, place: int) -> str:
    memory = runner.memory(values, PIECE_BITS)
    runner.run(memory, low)
    moved = memory.moved
    return moved[place][0] if place < len(moved) else "the last field"


def _said(runner: Runner, values: Values, meeting: Meeting, chosen: tuple[int, ...]) -> str:
    between = [
        step.call.name for turn, _ in zip(meeting.turns, chosen, strict=False) for step in turn
    ]
    fields = dict.fromkeys(_field_at(runner, values, meeting.low, place) for place in chosen)
    return (
        f"{meeting.low.name} ends as in no order of the calls if {' and '.join(between)} "
        f"come in between, before its access to {' and '.join(fields)}"
    )
