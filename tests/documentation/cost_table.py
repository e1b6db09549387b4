"""The table of costs in the documentation, held against growth.

``python tests/accept.py cost`` measures the example specs and writes ``docs/cost.md``; the full set
fails if a figure has grown by more than 5 %. It needs every compiler and emulator.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

from documentation import float_peer
from halfcycle.base import files
from halfcycle.base.errors import ToolMissingError
from halfcycle.generate.pipeline import Generation, generate
from halfcycle.spec.load import load_spec
from halfcycle.targets import run as runner
from halfcycle.targets import toolchains
from halfcycle.targets.machines import CORTEX_M0PLUS, MACHINES
from halfcycle.targets.unicorn_cpu import UnicornCpu
from halfcycle.verify import scenarios
from halfcycle.verify.harness import Harness
from support.paths import DOCS, SPECS

ACCEPT = "python tests/accept.py cost"
PAGE = DOCS / "cost.md"
GROWTH = 0.05
COLUMNS = (
    *("flash", "data", "RAM", "stack"),
    *("sample", "closing", "update", "set_target", "rms_mv", "drive"),
)
_PEER_TICKS = 4000

Key = tuple[str, str, str]
"""Spec, target, compiler (zig, gcc or sdcc)."""


@dataclass(frozen=True, slots=True)
class HandWritten:
    """Figures of a hand-written routine on one target, by gcc -O2 (cycles on AVR)."""

    sample: int
    closing_and_update: int
    flash: int


HAND_WRITTEN: Mapping[str, HandWritten] = {
    "cortex-m0plus": HandWritten(33, 106, 296),
    "cortex-m4": HandWritten(20, 51, 200),
    "rv32imc": HandWritten(33, 71, 332),
    "avr": HandWritten(111, 666, 586),
}
"""Mean of magnitudes and PI with limits; no flags, no drive, no reported voltage, no hand-over
between interrupt levels. Measured before this project's C was written."""


def measure(specs: Sequence[Path]) -> dict[Path, tuple[Generation, runner.Result]]:
    """Every spec on every target. Raises ToolMissingError where a tool is absent."""
    ways, absent = runner.ways()
    if absent:
        needs = dict.fromkeys(f"{one.tool}: {one.install}" for one in absent)
        raise ToolMissingError("the table needs every target; " + "; ".join(needs))
    found = {}
    for path in specs:
        made = generate(load_spec(path), path.name)
        result = runner.run(made.plan, made.texts, samples=0, chosen=ways)
        found[path] = made, result
    return found


def figures(rows: Sequence[runner.Row], spec: str) -> dict[Key, tuple[int, ...]]:
    """The figures of ``COLUMNS`` of each row; cycles where they are counted."""
    found = {}
    for row in rows:
        if row.costs is None:
            raise ToolMissingError(f"no emulator here counts for {row.target}")
        costs = [row.costs.kinds[kind] for kind in COLUMNS[4:]]
        calls = [one.instructions if one.cycles is None else one.cycles for one in costs]
        bytes_ = (row.flash_bytes, row.data_bytes, row.ram_bytes, row.costs.stack_bytes)
        found[spec, row.target, _kind(row)] = (*bytes_, *calls)
    return found


def _kind(row: runner.Row) -> str:
    return next(kind for kind in ("gcc", "sdcc", "zig") if kind in row.compiler)


def parse(page: str) -> dict[Key, tuple[int, ...]]:
    """The figures of a page that ``render`` wrote."""
    found: dict[Key, tuple[int, ...]] = {}
    spec = ""
    for line in page.splitlines():
        if line.startswith("### "):
            spec = line.removeprefix("### ").strip()
        cells = [cell.strip() for cell in line.strip("|").split("|")]
        if spec and len(cells) == len(COLUMNS) + 2 and cells[0] in MACHINES:
            found[spec, cells[0], cells[1]] = tuple(int(cell) for cell in cells[2:])
    return found


def growth(before: Mapping[Key, tuple[int, ...]], now: Mapping[Key, tuple[int, ...]]) -> list[str]:
    """What has grown by more than ``GROWTH``, or is in one of the two only; a line for each."""
    found = []
    for key in sorted(before.keys() | now.keys()):
        name = ", ".join(key)
        if key not in now or key not in before:
            found.append(f"{name}: {'no longer measured' if key in before else 'not in the table'}")
            continue
        for column, old, new in zip(COLUMNS, before[key], now[key], strict=True):
            if new > old * (1 + GROWTH):
                share = f" ({100 * (new / old - 1):+.1f} %)" if old else ""
                found.append(f"{name}: {column} was {old}, is {new}{share}")
    return found


def render(measured: Mapping[Path, tuple[Generation, runner.Result]]) -> str:
    """The page."""
    return "\n".join(_page(measured)) + "\n"


def _page(measured: Mapping[Path, tuple[Generation, runner.Result]]) -> Iterator[str]:
    example = next(path for path, (made, _) in measured.items() if _is_full(made))
    made, result = measured[example]
    yield "# What the C costs"
    yield ""
    yield f"Written by `{ACCEPT}`; the full tests fail where a figure grows by more than 5 %."
    yield ""
    yield (
        f"Instructions of a call, and cycles on {_cycles(result)}, from its first instruction "
        "to its return, at\nits worst over states that lie on each side of every decision and at "
        "the ends of every range, every\ninstruction of the code reached but what a compiler made "
        "for cases that cannot come. Flash: code, constants and\nwhat they need of the compiler's "
        "library, all calls of the interface. RAM: one state struct. Stack: below the\ncaller's, "
        "the deepest call. All with -O2, sdcc with --opt-code-speed. Interrupt entry, wait states "
        "and caches are\nthe processor's own."
    )
    yield ""
    yield (
        "Cycles are those of the emulator. 8051: clocks of its oscillator, twelve to a machine "
        "cycle. STM8: ucsim's base\ncycles, without the stalls of its pipeline. MSP430: without a "
        "hardware multiplier, its products by shifts and sums\n(`c_harness/target_msp430.c`). "
        "sdcc's figures are over fewer states (within 1 %), and its flash is of whole files of "
        "its\nlibrary; on the Z80 with products of our own (`c_harness/target_z80.c`), since that "
        "library's are wrong."
    )
    yield ""
    yield from _tools(result)
    yield from _against_hand(example.stem, result)
    yield from _against_float(example.stem, made, result)
    yield "## The examples"
    for path, (_, one) in measured.items():
        yield ""
        yield f"### {path.stem}"
        yield ""
        yield from _table(("target", "compiler", *COLUMNS), _rows(one, path.stem))


def _is_full(made: Generation) -> bool:
    """A mean reading of a plain window with both gains, as the hand-written routine has."""
    plan = made.plan
    return plan.measure == "mean" and plan.has_proportional and not plan.blockwise


def _cycles(result: runner.Result) -> str:
    counted = [
        row.target
        for row in result.rows
        if row.costs is not None and row.costs.kinds["sample"].cycles is not None
    ]
    *most, last = dict.fromkeys(counted)
    return f"{', '.join(most)} and {last}" if most else last


def _tools(result: runner.Result) -> Iterator[str]:
    named = dict.fromkeys(name for row in result.rows for name in (row.compiler, *row.emulators))
    yield f"Measured with {', '.join(named)}."
    yield ""


def _rows(result: runner.Result, spec: str) -> list[tuple[str, ...]]:
    found = figures(result.rows, spec)
    return [(key[1], key[2], *map(str, values)) for key, values in found.items()]


def _against_hand(spec: str, result: runner.Result) -> Iterator[str]:
    yield "## Against a routine written by hand"
    yield ""
    yield (
        f"The C of `{spec}`, gcc, beside a hand-written mean with PI and limits that has neither "
        "flags nor a drive nor\na ramp nor the hand-over between interrupts. The sample path must "
        "cost no more; the update, which does more,\nat most four times. A reading by RMS is "
        "outside this: its update takes a square root, which no figure by hand\nhas."
    )
    yield ""
    rows = []
    for (_, target, kind), values in figures(result.rows, spec).items():
        hand = HAND_WRITTEN.get(target)
        if hand is None or kind != "gcc":
            continue
        cost = dict(zip(COLUMNS, values, strict=True))
        both = cost["closing"] + cost["update"]
        pairs = ((cost["sample"], hand.sample), (both, hand.closing_and_update))
        cells = [f"{ours} / {theirs} = {ours / theirs:.2f}" for ours, theirs in pairs]
        rows.append((target, *cells, f"{cost['flash']} / {hand.flash}"))
    yield from _table(("target", "sample", "closing sample and update", "flash"), rows)
    yield ""


def _against_float(spec: str, made: Generation, result: runner.Result) -> Iterator[str]:
    yield "## Against float"
    yield ""
    yield (
        f"`{spec}` on the Cortex-M0+ beside the same regulator with `float` "
        "(`c_harness/float_peer.c`), which gives the\nsame scale within 0.2 % of full scale and "
        "the same flags: the ratio is why the C uses integers. Flash is of\nreset, sample and "
        "update."
    )
    yield ""
    rows: list[tuple[str, ...]] = []
    ours = figures(result.rows, spec)
    for chain in (toolchains.zig(CORTEX_M0PLUS), toolchains.gcc(CORTEX_M0PLUS)):
        assert isinstance(chain, toolchains.Toolchain)  # measure() has refused otherwise.
        cost = dict(zip(COLUMNS, ours[spec, CORTEX_M0PLUS.name, chain.kind], strict=True))
        keep = [f"{made.plan.name}_{name}" for name in float_peer.CALLS]
        contents = {
            name: made.texts[name] for name in (f"{made.plan.name}.h", f"{made.plan.name}.c")
        }
        alone = toolchains.build(CORTEX_M0PLUS, chain, contents, [f"{made.plan.name}.c"], keep=keep)
        cost["flash"] = alone.flash_bytes
        image = float_peer.image(made.plan, CORTEX_M0PLUS, chain)
        worst, _, _ = float_peer.run(UnicornCpu(CORTEX_M0PLUS, image), peer_codes(made))
        theirs = {kind: one.instructions for kind, one in worst.items()}
        theirs["stack"] = max(one.stack_bytes for one in worst.values())
        theirs["flash"] = image.flash_bytes
        names = ("sample", "closing", "update", "stack", "flash")
        cells = [f"{theirs[n]} / {cost[n]} = {theirs[n] / cost[n]:.1f}" for n in names]
        rows.append((chain.kind, *cells))
    yield from _table(("compiler", "sample", "closing", "update", "stack", "flash"), rows)
    yield ""


def peer_codes(made: Generation) -> scenarios.Codes:
    """ADC codes of a closed loop with overloads, which the peer is run over."""
    scenario = scenarios.build("overload", made.plan, 1, _PEER_TICKS)
    harness = Harness(made.plan, made.texts)
    harness.run(scenario.codes, [(0, made.plan.rated_mv)], plant=scenario.plant)
    return scenario.codes


def _table(columns: Sequence[str], rows: Sequence[Sequence[str]]) -> Iterator[str]:
    yield f"| {' | '.join(columns)} |"
    yield f"| {' | '.join('---' if not n else '---:' for n in range(len(columns)))} |"
    for row in rows:
        yield f"| {' | '.join(row)} |"


def accept() -> None:
    """Measure the example specs and write the page."""
    files.write_atomic(PAGE, render(measure(SPECS)))
    print(f"accepted {PAGE.name}")
