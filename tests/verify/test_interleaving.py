"""Preemption at every piece of every shared access: old or new, never half of each.

A run with preemption must end as one of the same calls in some order without it: results and whole
state (serialisability, a definition of the trade, no source). Which call may preempt which is what
the generated header says; the order of the stores is the C's own.
"""

from __future__ import annotations

import itertools
import random
from dataclasses import replace

import pytest

from halfcycle.prove.c_source import parse
from halfcycle.prove.interleaving import Call, Runner, Values
from halfcycle.regulator.plan import FLAG_MISSED, Plan
from halfcycle.regulator.state import CALL_NAMES, field_names, fields_of
from halfcycle.verify import adversarial
from support import plan_cases, planted

UPDATE = Call("update")
CODE_HIGH, CODE_LOW = 4095, 1900
SET_TARGET = Call("set_target_mv", 117_411)
READ = Call("read")
READERS = (
    Call("scale"),
    Call("flags"),
    Call("rms_mv"),
    READ,
    Call("drive", 20_000),
    Call("duty", 20_000),
)
HOLD = Call("hold")
CLEAR = Call("clear", 0x0010)
"""Of one flag: to clear several is to clear each."""
SAMPLE = Call("sample", CODE_HIGH)
ALLOWED = {
    SAMPLE: (UPDATE, SET_TARGET, HOLD, CLEAR, *READERS),
    UPDATE: (SAMPLE, SET_TARGET, HOLD, CLEAR, *READERS),
    SET_TARGET: (SAMPLE, UPDATE, HOLD, CLEAR, *READERS),
    HOLD: (SAMPLE, UPDATE, SET_TARGET, HOLD, CLEAR),
    CLEAR: (SAMPLE, UPDATE, SET_TARGET, HOLD, *READERS),
    **dict.fromkeys(READERS, (SAMPLE, UPDATE, SET_TARGET, HOLD, CLEAR)),
}
"""Preempted call to those that may preempt it: the header's rules, and update inside sample, which
the header does not even ask of its user. Each preempts at most once."""
CASES = ("mean", "mean ramped", "rms wide high ramped", "moving flat", "moving high")


def runner_of(plan: Plan, files: dict[str, str]) -> Runner:
    return Runner(parse(files, f"{plan.name}.c", 16), plan.name)


def missed_windows(values: dict[str, int]) -> int:
    """Windows (blocks) that no update has taken."""
    return (values["window_sequence"] - values["taken_sequence"]) & 255


def states(plan: Plan, runner: Runner, count: int) -> list[Values]:
    """States whose next sample closes a window, whose update has one to take; but for those of 255
    windows that no update took, which have a test of their own."""
    rows = adversarial.update_states(plan, random.Random(11), 4 * count + 40)
    (fields,) = runner.source.structs.values()
    chosen = []
    for row in rows:
        values = dict(zip(field_names(plan), row.tolist(), strict=True))
        if missed_windows(values) in (0, 255):
            continue
        values["count"], values["above"], values["below"] = plan.block_samples - 1, 0x010203, 0x0405
        values["above_high"] = values["below_high"] = 0
        if plan.blockwise and len(chosen) % 2 == 0:  # A PI step, not a hole.
            values["taken_sequence"], values["blocks_due"] = (
                (values["window_sequence"] - 1) & 255,
                1,
            )
        if plan.blockwise and len(chosen) % 4 == 1:  # The drive is held until the ring is full.
            values["taken_sequence"], values["blocks_due"] = (
                (values["window_sequence"] - 1) & 255,
                2,
            )
        if plan.block_high:
            values["window_above_high_0"], values["window_above_high_1"] = 1, 3
            values["window_below_high_0"], values["window_below_high_1"] = 2, 1
        # Bytes that no old or new value shares: half of each would show.
        spare = 1 - (values["output_sequence"] & 1)
        values[f"scale_{spare}"], values[f"reading_{spare}"] = 0x2B2B, 0x1C1C
        values[f"flags_{spare}"], values[f"updates_{spare}"] = 0x0015, 0x3AFF
        chosen.append(
            {
                name: [values[f"{name}_{n}"] for n in range(length)] if length else [values[name]]
                for name, (_, length, _) in fields.items()
            }
        )
    return chosen[:count]


def torn(
    runner: Runner,
    values: Values,
    low: Call,
    high: tuple[Call, ...],
    *,
    bits: int = 8,
    low_first: bool = True,
) -> list[tuple[int, ...]]:
    """Places of preemption at which the end is that of no order of the calls."""
    calls = (low, *high)
    serial = [runner.serial(values, order) for order in itertools.permutations(calls)]
    places = range(runner.accesses(values, low, bits) + 1)
    bad = []
    for chosen in itertools.combinations(places, len(high)):
        memory = runner.memory(values, bits, low_first)
        end = runner.preempted(memory, low, dict(zip(chosen, high, strict=True)))
        if len(end[0]) == len(calls) and end not in serial:
            bad.append(chosen)
    return bad


IN_CI = {("moving flat", 8, True)}
"""Of the others one is of parts of these; and what 16 bits can see 8 bits can."""


@pytest.mark.parametrize(
    ("case", "bits", "low_first"),
    [
        pytest.param(
            *(case, bits, low_first),
            id=f"{case}-{bits}-{'low' if low_first else 'high'} first",
            marks=[pytest.mark.long] * ((case, bits, low_first) not in IN_CI),
        )
        for case in CASES
        for bits in (8, 16)
        for low_first in (True, False)
    ],
)
def test_any_call_preempted_once(case: str, bits: int, low_first: bool) -> None:
    """What a processor of 16 bits can see is among what one of 8 bits can."""
    plan = planted.plan_of(case)
    runner = runner_of(plan, plan_cases.render(plan))
    for values in states(plan, runner, 4):
        for low, highs in ALLOWED.items():
            for high in highs:
                assert not torn(runner, values, low, (high,), bits=bits, low_first=low_first)


@pytest.mark.parametrize(
    "case",
    [pytest.param(case, marks=pytest.mark.long) for case in CASES],
)
def test_any_call_preempted_by_two(case: str) -> None:
    plan = planted.plan_of(case)
    runner = runner_of(plan, plan_cases.render(plan))
    (values,) = states(plan, runner, 1)
    for low, highs in ALLOWED.items():
        writers = [call for call in highs if call not in READERS]
        for pair in itertools.permutations(writers, 2):
            assert not torn(runner, values, low, pair), (low, pair)


SHORT = planted.plan_of("moving each sample")
"""Each sample ends a block, so that two may end inside one update."""


@pytest.mark.parametrize(
    ("low_first", "count"),
    [
        pytest.param(True, 1, id="low first, one state"),
        pytest.param(True, 4, id="low first", marks=pytest.mark.long),
        pytest.param(False, 4, id="high first", marks=pytest.mark.long),
    ],
)
def test_two_blocks_inside_an_update_are_taken_whole_or_not_at_all(
    low_first: bool, count: int
) -> None:
    """The header forbids it, but nothing may be half of each: old sum, new sum or no block."""
    runner = runner_of(SHORT, plan_cases.render(SHORT))
    first, second = Call("sample", CODE_HIGH), Call("sample", CODE_LOW)
    for values in states(SHORT, runner, count):
        calls = (UPDATE, first, second)
        serial = [runner.serial(values, order) for order in itertools.permutations(calls)]
        serial.append(runner.serial(values, (first, second)))
        ends = [end[1] for end in serial]
        for places in itertools.combinations_with_replacement(
            range(runner.accesses(values, UPDATE, 8) + 1), 2
        ):
            if places[0] == places[1]:
                continue
            memory = runner.memory(values, 8, low_first)
            results, end = runner.preempted(
                memory, UPDATE, dict(zip(places, calls[1:], strict=True))
            )
            assert len(results) < len(calls) or end in ends, places


@pytest.mark.parametrize("low_first", [True, False], ids=["low first", "high first"])
@pytest.mark.parametrize("case", ["mean tracked", "moving tracked"])
def test_a_sample_inside_an_update_takes_the_old_zero_or_the_new_one(
    case: str, low_first: bool
) -> None:
    """The zero moves by one code whose bytes differ in both; half of each would be 255 away."""
    plan = planted.plan_of(case)
    plan = replace(plan, zero_code=2047)
    runner = runner_of(plan, plan_cases.render(plan))
    tracking = plan.tracking
    assert tracking is not None
    (values,) = states(plan, runner, 1)
    sequence = values["window_sequence"][0]
    values["taken_sequence"], values["count"] = [(sequence - 1) & 255], [0]
    values["above"], values["below"], values["flags"] = [0], [0], [0x28, 0x28]
    values["zero"], values["zero_slot"], values["zero_part"] = [2047, 2047], [0], [tracking.hold]
    values["zero_due"], values["lean"], values["window_held"] = [1], [0], [0, 0]
    values["zero_lean"] = [(tracking.blocks - 1) * (plan.block_max >> tracking.shift)]
    if plan.blockwise:
        values["blocks_due"] = [2]
    else:
        total = plan.target_rated << plan.reading_shift
        values["window_above"], values["window_below"] = [total, total], [0, 0]
        values["target"] = [plan.target_rated, plan.target_rated]
    after = runner.memory(values, 8, low_first)
    runner.run(after, UPDATE)
    runner.run(after, SAMPLE)
    assert after.values["zero"] == [2047, 2051]
    seen = {after.values["above"][0]}
    for place in range(runner.accesses(values, UPDATE, 8)):
        memory = runner.memory(values, 8, low_first)
        runner.preempted(memory, UPDATE, {place: SAMPLE})
        seen.add(memory.values["above"][0])
    assert seen == {CODE_HIGH - 2047, CODE_HIGH - 2051}


def test_256_blocks_that_no_update_took_do_not_look_like_none() -> None:
    """Bug of the plain protocol, whose sequence then stands where the last update left it."""
    runner = runner_of(SHORT, plan_cases.render(SHORT))
    (values,) = states(SHORT, runner, 1)
    memory = runner.memory(values, 8)
    memory.values["taken_sequence"] = list(memory.values["window_sequence"])
    for _ in range(256):
        runner.run(memory, SAMPLE)
    assert memory.values["window_sequence"] != memory.values["taken_sequence"]
    runner.run(memory, UPDATE)
    flags = memory.values["flags"][memory.values["output_sequence"][0] & 1]
    assert flags & FLAG_MISSED and memory.values["blocks_due"] == [SHORT.blocks - 1]


@pytest.mark.parametrize("low_first", [True, False], ids=["low first", "high first"])
@pytest.mark.parametrize("case", ["mean", "moving flat"])
def test_the_end_of_window_256_inside_an_update_shows_as_one_more_hole(
    case: str, low_first: bool
) -> None:
    """After 255 windows that no update took the sequence goes back by one instead of on. An update
    that this overtakes takes nothing, as if two windows had ended; one inside the sample, which the
    header forbids, leaves the window as a hole. Either way nothing is half of each, and the next
    update takes the newest window and says that some were missed."""
    plan = planted.plan_of(case)
    runner = runner_of(plan, plan_cases.render(plan))
    for values in states(plan, runner, 4):
        values["taken_sequence"] = [(values["window_sequence"][0] + 1) & 255]
        ends = [runner.serial(values, order)[1] for order in ((SAMPLE, UPDATE), (UPDATE, SAMPLE))]
        ends.append(runner.serial(values, (SAMPLE,))[1])
        a_hole = {**ends[1], "window_sequence": [(ends[1]["window_sequence"][0] - 2) & 255]}
        ends.append(a_hole)
        seen = []
        for low, high in ((SAMPLE, UPDATE), (UPDATE, SAMPLE)):
            for place in range(runner.accesses(values, low, 8)):
                memory = runner.memory(values, 8, low_first)
                _, end = runner.preempted(memory, low, {place: high})
                assert end in ends, (low, place)
                seen.append(ends.index(end))
                after = runner.memory(end, 8)
                runner.run(after, UPDATE)
                flags = after.values["flags"][after.values["output_sequence"][0] & 1]
                refilled = plan.blockwise and after.values["blocks_due"] == [plan.blocks - 1]
                assert seen[-1] != 3 or flags & FLAG_MISSED or refilled
                assert after.values["taken_sequence"] == after.values["window_sequence"]
        assert {2, 3} <= set(seen)


EACH = planted.plan_of("mean one sample")
"""Each sample ends a window, so that any number of updates fit between two accesses."""
CODES = (CODE_HIGH, CODE_LOW, 3000, 77)


def overtaking(windows: int, first: int = 0) -> list[Call]:
    """So many windows, each with its update, from the code of number ``first`` on."""
    codes = [CODES[n % len(CODES)] for n in range(first, first + windows)]
    return [call for code in codes for call in (Call("sample", code), UPDATE)]


def torn_readings(
    runner: Runner, values: Values, reader: Call, updates: int, *, bits: int, low_first: bool
) -> list[tuple[int, ...]]:
    """Places of so many updates at which the reader tells what none of them has told, or the state
    ends otherwise than without the reader."""
    legal = []
    memory = runner.memory(values, 64)
    calls = overtaking(updates, 2)  # other codes than those of ``each_state``
    for n in range(updates + 1):
        legal.append(runner.run(memory, reader))
        for call in calls[2 * n : 2 * n + 2]:
            runner.run(memory, call)
    end, bad = memory.values, []
    places = range(runner.accesses(values, reader, bits) + 1)
    for chosen in itertools.combinations_with_replacement(places, updates):
        high: dict[int, list[Call]] = {}
        for n, place in enumerate(chosen):
            high.setdefault(place, []).extend(calls[2 * n : 2 * n + 2])
        memory = runner.memory(values, bits, low_first)
        told, after = runner.overtaken(memory, reader, high)
        missed = any(place == places[-1] for place in chosen)
        is_overtaken = isinstance(told, tuple) and told[0] == 0
        if not (told in legal or is_overtaken) or not (missed or after == end):
            bad.append(chosen)
    return bad


def each_state(runner: Runner) -> Values:
    """A state with a history, whose two slots have no byte in common."""
    (values,) = states(EACH, runner, 1)
    memory = runner.memory(values, 64)
    for call in (SET_TARGET, *overtaking(2)):
        runner.run(memory, call)
    return memory.values


@pytest.mark.parametrize("updates", [2, pytest.param(3, marks=pytest.mark.long)])
@pytest.mark.parametrize("low_first", [True, False], ids=["low first", "high first"])
@pytest.mark.parametrize("reader", READERS[:4], ids=lambda call: call.name)
def test_a_reader_that_updates_overtake_tells_one_of_them(
    reader: Call, low_first: bool, updates: int
) -> None:
    """Bug: of two updates inside one reader it told a byte of each, within the header's rules."""
    runner = runner_of(EACH, plan_cases.render(EACH))
    values = each_state(runner)
    assert not torn_readings(runner, values, reader, updates, bits=8, low_first=low_first)


@pytest.mark.parametrize("bits", [8, 16])
def test_a_reader_that_does_not_look_again_is_torn(bits: int) -> None:
    """The model must be able to see it."""
    files = plan_cases.render(EACH)
    source = f"{EACH.name}.c"
    deaf = files[source].replace("first) & 255u) > 1u", "first) & 255u) > 255u")
    deaf = deaf.replace("((first == last) && (updates == again))", "(updates == updates)")
    runner = runner_of(EACH, {**files, source: deaf})
    # All flags fit a byte; in pieces of 16 bits only several values at once are torn.
    readers = (READERS[0], READERS[2], READ) if bits == 8 else (READ,)
    for reader in readers:
        torn_at = torn_readings(runner, each_state(runner), reader, 2, bits=bits, low_first=True)
        assert torn_at, reader


@pytest.mark.full
def test_a_reading_that_256_updates_overtake_is_seen_by_their_count() -> None:
    """The sequence alone is then what it was before."""
    files = plan_cases.render(EACH)
    source = f"{EACH.name}.c"
    alone = files[source].replace("(updates == again)", "(updates == updates)")
    for text, is_whole in ((files[source], True), (alone, False)):
        runner = runner_of(EACH, {**files, source: text})
        values = each_state(runner)
        before = runner.run(runner.memory(values, 8), READ)
        memory = runner.memory(values, 8)
        # Between the reading and the scale.
        place = 1 + 2 + 2
        told, _ = runner.overtaken(memory, READ, {place: overtaking(256)})
        after = runner.run(memory, READ)
        assert (told in (before, after)) == is_whole


@pytest.mark.parametrize("count", [2, 3])
def test_targets_inside_one_update_are_one_of_them(count: int) -> None:
    """Bug: two of them, in the middle of an update, left it with a byte of each."""
    plan = planted.plan_of("mean")
    runner = runner_of(plan, plan_cases.render(plan))
    targets = [SET_TARGET, Call("set_target_mv", 229_003), Call("set_target_mv", 1_234)][:count]
    for values in states(plan, runner, 3):
        ends = []
        for before in range(count + 1):
            order = [*targets[:before], UPDATE, *targets[before:]]
            memory = runner.memory(values, 64)
            for call in order:
                runner.run(memory, call)
            ends.append(memory.values)
        for place in range(runner.accesses(values, UPDATE, 8)):
            memory = runner.memory(values, 8)
            _, after = runner.overtaken(memory, UPDATE, {place: targets})
            assert after in ends, place


def test_no_event_is_lost_between_levels() -> None:
    """One in the middle of another one, with a window's end and one more: a count of events that is
    read, raised and stored puts the last one back."""
    plan = planted.plan_of("mean")
    runner = runner_of(plan, plan_cases.render(plan))
    for values in states(plan, runner, 2):
        for place in range(runner.accesses(values, HOLD, 8)):
            memory = runner.memory({**values, "hold_pending": [0]}, 8)
            _, after = runner.overtaken(memory, HOLD, {place: (HOLD, SAMPLE, HOLD)})
            assert after["hold_pending"] == [1]
            assert after["window_held"][after["window_sequence"][0] & 1] == 1


def test_what_an_update_latches_meanwhile_is_not_cleared_unseen() -> None:
    """Every flag at once, each by itself as in one of the two orders."""
    plan = planted.plan_of("mean")
    runner = runner_of(plan, plan_cases.render(plan))
    everything = Call("clear", 0xFFFF)

    def latched(values: Values) -> int:
        return values["raised"][values["output_sequence"][0] & 1] ^ values["cleared"][0]

    for values in states(plan, runner, 6):
        orders = [(UPDATE, everything), (everything, UPDATE)]
        serial = [latched(runner.serial(values, order)[1]) for order in orders]
        for low, high in orders:
            for place in range(runner.accesses(values, low, 8) + 1):
                memory = runner.memory(values, 8)
                results, after = runner.preempted(memory, low, {place: high})
                if len(results) == 2:
                    got = latched(after)
                    assert serial[0] & serial[1] & ~got == 0
                    assert got & ~(serial[0] | serial[1]) == 0


ARGUMENTS = {
    "set_target_mv": 117_411,
    "sample": CODE_HIGH,
    "clear": 0x00FF,
    "drive": 20_000,
    "duty": 20_000,
}


@pytest.mark.parametrize("case", CASES)
def test_each_field_has_one_writer_and_is_volatile_if_another_call_sees_it(case: str) -> None:
    """What the table of the state says of each field, seen in the accesses of the C."""
    plan = planted.plan_of(case)
    runner = runner_of(plan, plan_cases.render(plan))
    calls = [Call(name, ARGUMENTS.get(name)) for name in CALL_NAMES if name != "reset"]
    stored: dict[str, set[str]] = {field.name: set() for field in fields_of(plan)}
    seen: dict[str, set[str]] = {field.name: set() for field in fields_of(plan)}
    for values in states(plan, runner, 24 if plan.blockwise else 8):
        for call, ends_window in itertools.product(calls, (True, False)):
            memory = runner.memory({**values, "count": [values["count"][0] * ends_window]}, 8)
            runner.run(memory, call)
            for name, access in memory.touched:
                (stored if access == "store" else seen)[name].add(call.name)
    for field in fields_of(plan):
        clearer = {field.cleared_by} - {""}
        assert stored[field.name] == {field.writer} | clearer, field.name
        elsewhere = (seen[field.name] | clearer) - {field.writer}
        assert field.is_shared(plan) == bool(elsewhere), field.name


SWAPPED = {
    "newest block read twice": (
        "moving high",
        "const uint16_t above_high = s->window_above_high[sequence & 1u];",
        "const uint16_t above_high = s->window_above_high[s->window_sequence & 1u];",
    ),
    "output sequence before the scale": (
        "mean ramped",
        "    s->scale[sequence & 1u] = scale;\n",
        "    s->output_sequence = sequence;\n    s->scale[sequence & 1u] = scale;\n",
    ),
    "output sequence before the flags": (
        "moving flat",
        "    s->flags[sequence & 1u] = flags;\n",
        "    s->output_sequence = sequence;\n    s->flags[sequence & 1u] = flags;\n",
    ),
    "results into the slot in use": (
        "mean ramped",
        "s->reading[sequence & 1u] = reading;",
        "s->reading[before & 1u] = reading;\n    s->reading[sequence & 1u] = reading;",
    ),
    "target sequence before the target": (
        "mean ramped",
        "    s->target[sequence & 1u] =",
        "    s->target_sequence = sequence;\n    s->target[sequence & 1u] =",
    ),
    "event taken twice": (
        "mean ramped",
        "s->window_held[sequence & 1u] = held;",
        "s->window_held[sequence & 1u] = s->hold_pending;",
    ),
    "event put back": (
        "mean ramped",
        "        if (held != 0u) {\n            s->hold_pending = 0u;\n        }\n",
        "        s->hold_pending = 0u;\n",
    ),
    "sequence before the sum's high word": (
        "rms wide high ramped",
        "        s->window_below_high[sequence & 1u] = s->below_high;\n"
        "        s->window_sequence = sequence;\n",
        "        s->window_sequence = sequence;\n"
        "        s->window_below_high[sequence & 1u] = s->below_high;\n",
    ),
    "sequence read twice": (
        "rms wide high ramped",
        "const uint16_t below_high = s->window_below_high[sequence & 1u];",
        "const uint16_t below_high = s->window_below_high[s->window_sequence & 1u];",
    ),
}


@pytest.mark.parametrize("name", SWAPPED)
def test_a_wrong_order_is_seen(name: str) -> None:
    case, old, new = SWAPPED[name]
    plan = planted.plan_of(case)
    files = plan_cases.render(plan)
    source = f"{plan.name}.c"
    assert files[source].count(old) == 1
    runner = runner_of(plan, {**files, source: files[source].replace(old, new)})
    assert any(
        torn(runner, values, low, (high,))
        for values in states(plan, runner, 4)
        for low, highs in ALLOWED.items()
        for high in highs
    )


NEXT = Call("turn_next")
SET = Call("turn_set_millihertz", 50_123)
AGAIN = Call("turn_set_millihertz", 49_876)


def oscillator() -> tuple[Runner, list[Values]]:
    plan = planted.plan_of("mean integral only")
    source = parse(plan_cases.render(plan), f"{plan.name}.c", 16)
    chosen = [
        {"phase": [phase], "step": [0x00A2345F, 0x00A43456], "step_sequence": [sequence]}
        for phase in (0, 0x7FFF_FFFF, 0xFFFF_FFFF)
        for sequence in (0, 1, 255)
    ]
    return Runner(source.seen_from(f"{plan.name}_turn"), plan.name), chosen


@pytest.mark.parametrize("low_first", [True, False], ids=["low first", "high first"])
@pytest.mark.parametrize("bits", [8, 16])
def test_the_oscillator_never_turns_by_half_a_step(bits: int, low_first: bool) -> None:
    """The PWM's interrupt inside a change of frequency, at every piece of every store."""
    runner, chosen = oscillator()
    for values in chosen:
        assert not torn(runner, values, SET, (NEXT,), bits=bits, low_first=low_first)


def test_two_frequencies_inside_one_turn_show_halves() -> None:
    """Why the header has the frequency set by no level above the PWM's."""
    runner, chosen = oscillator()
    assert not any(torn(runner, values, NEXT, (SET,)) for values in chosen)
    assert any(torn(runner, values, NEXT, (SET, AGAIN)) for values in chosen)
