"""The table of costs in the documentation, held against growth.

``python tests/accept.py cost`` measures the example specs and writes ``docs/cost.md``, which needs
every compiler and emulator; ``cost hand`` measures the comparison with the routine written by hand
alone. The full set fails if a figure has grown by more than 5 %.
"""

from __future__ import annotations

import textwrap
from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path

from documentation import float_peer, hand_written, update_parts
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


HAND_TITLE = "## Against a routine written by hand"
HAND_SPECS = ("weir_pump", "apron_cart")
"""A plain window that reads the mean, with both gains, and one that reads the RMS."""


def measure(
    specs: Sequence[Path], targets: tuple[str, ...] = ()
) -> dict[Path, tuple[Generation, runner.Result]]:
    """Every spec on these targets, or on all. Raises ToolMissingError where a tool is absent."""
    ways, absent = runner.ways(targets)
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


_INTRODUCTION = """\
Each figure is of one call, from its first instruction to its return: instructions, and on
{cycles} also cycles. It is the worst over states that lie on each side of every decision and at
the ends of every range. These reach every instruction of the code, except those that a compiler
made for cases that cannot occur.

- Flash: code, constants and what they need of the compiler's library, for all calls of the
  interface.
- RAM: one state struct.
- Stack: of the deepest call, below its caller's.

All are compiled with -O2, with sdcc with --opt-code-speed. Interrupt entry, wait states and
caches are the processor's own and are not in the figures."""

_CYCLES = """\
Cycles are those of the emulator:

- 8051: clocks of its oscillator, twelve to a machine cycle.
- STM8: ucsim's base cycles, without the stalls of its pipeline.
- MSP430: without a hardware multiplier; products are made by shifts and sums
  (`c_harness/target_msp430.c`).

sdcc's figures are over fewer states (within 1 %), and its flash counts whole files of its
library. On the Z80 the products are our own (`c_harness/target_z80.c`), since that library's are
wrong."""


def render(measured: Mapping[Path, tuple[Generation, runner.Result]]) -> str:
    """The page."""
    return "\n".join(_page(measured)) + "\n"


def _page(measured: Mapping[Path, tuple[Generation, runner.Result]]) -> Iterator[str]:
    example = next(path for path, (made, _) in measured.items() if _is_full(made))
    made, result = measured[example]
    yield "# What the C costs"
    yield ""
    yield f"Written by `{ACCEPT}`; the full tests fail if a figure grows by more than 5 %."
    yield ""
    yield _INTRODUCTION.format(cycles=_cycles(result))
    yield ""
    yield _CYCLES
    yield ""
    yield from _tools(result)
    yield from _against_hand()
    yield from _against_float(example.stem, made, result)
    yield "## The examples"
    for path, (_, one) in measured.items():
        yield ""
        yield f"### {path.stem}"
        yield ""
        yield from _table(("target", "compiler", *COLUMNS), _rows(one, path.stem))


def _is_full(made: Generation) -> bool:
    """A mean reading of a plain window with both gains, as the float peer has."""
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


_HAND_WORDS = """\
The C of `weir_pump` (mean) and `apron_cart` (RMS), compiled with gcc, is compared with a loop
written by hand for one board ([hand_written.c](../tests/documentation/hand_written.c)): a plain
window, a PI step with both limits, the sine from a table of one turn. Both are counted on the
same emulators, the hand-written routine over windows of any amplitude. Each cell is generated /
by hand = ratio. On 32-bit processors the generated C costs more, because it does what the other
leaves out:

- sample: clamps codes above the ADC's range; keeps the sums on the two sides of the zero apart,
  which show a stuck sensor; hands both over in slots; takes a limiter's report;
- update: takes a window only if no interrupt has cut it; notices windows that were missed; rounds
  what is shifted; holds the integrator at a limit; checks whether the sensor fails, and stores
  the drives to fall back to; judges band, settling, overload and limits; ramps the target;
  latches flags; hands over five values with their count;
- drive: interpolates in a quarter wave, and rounds to nearest;
- flash: holds `duty`, `read`, `clear`, `hold` and the other readers as well.

On an AVR the sample and the drive cost less than by hand, since they keep to 16 bits."""


def _against_hand() -> Iterator[str]:
    yield HAND_TITLE
    yield ""
    yield _HAND_WORDS
    yield ""
    rows = hand_rows()
    yield from _table(
        ("spec", "target", *HAND_COLUMNS), [(*key, *cells) for key, cells in rows.items()]
    )
    yield ""
    yield _update_words()
    yield ""


def _update_words() -> str:
    """Where the instructions of the dearest update go, counted."""
    [way] = [way for way in runner.ways([CORTEX_M0PLUS.name])[0] if way.chain.kind == "gcc"]
    path = next(path for path in SPECS if path.stem == HAND_SPECS[0])
    made = generate(load_spec(path), path.name)
    parts = update_parts.instructions(made.plan, made.texts, way)
    rest = sum(parts[name] for name in ("update", "round_shift"))
    looks = parts["lean"] + parts["alike"]
    hands = parts["publish"] + parts["latch"]
    assert rest + looks + hands + parts["aim"] + parts["regulate"] == sum(parts.values())
    words = (
        f"The update of `{path.stem}` takes {sum(parts.values())} instructions at its worst on "
        f"{way.machine.name}. By the compiler's line table the PI step with its limits takes "
        f"{parts['regulate']} of them, handing over {hands}, reading a target that an interrupt "
        f"may set {parts['aim']}, and the check for a stuck sensor {looks}. The other {rest} are "
        "for the window, the ramp, the band, the safe drives and the flags."
    )
    return textwrap.fill(words, 100)


HAND_COLUMNS = ("sample", "closing sample and update", "drive", "flash")


def hand_rows(specs: Sequence[str] = HAND_SPECS) -> dict[tuple[str, str], tuple[str, ...]]:
    """Of these specs (spec, target) to the cells of ``HAND_COLUMNS``: the generated C's over the
    hand-written's. Raises ToolMissingError where a tool is absent."""
    ways, absent = runner.ways(hand_written.TARGETS)
    chosen = [way for way in ways if way.chain.kind == "gcc"]
    if len(chosen) != len(hand_written.TARGETS):
        needs = dict.fromkeys(f"{one.tool}: {one.install}" for one in absent)
        raise ToolMissingError("the comparison needs gcc for each target; " + "; ".join(needs))
    found = {}
    for path in SPECS:
        if path.stem in specs:
            made = generate(load_spec(path), path.name)
            result = runner.run(made.plan, made.texts, samples=0, chosen=chosen)
            for way, values in zip(chosen, figures(result.rows, path.stem).values(), strict=True):
                cost = dict(zip(COLUMNS, values, strict=True))
                hand = hand_written.measure(made.plan, way)
                pairs = (
                    (cost["sample"], hand.sample),
                    (cost["closing"] + cost["update"], hand.closing + hand.update),
                    (cost["drive"], hand.drive),
                    (cost["flash"], hand.flash),
                )
                cells = tuple(f"{ours} / {theirs} = {ours / theirs:.1f}" for ours, theirs in pairs)
                found[path.stem, way.machine.name] = cells
    return found


def parse_hand(page: str) -> dict[tuple[str, str], tuple[str, ...]]:
    """The cells of a page's comparison with the routine written by hand."""
    section = page.partition(HAND_TITLE)[2].partition("\n## ")[0]
    lines = [line for line in section.splitlines() if line.startswith("| ")]
    cells = [tuple(cell.strip() for cell in line.strip("|").split("|")) for line in lines[2:]]
    return {(row[0], row[1]): row[2:] for row in cells}


def accept_hand() -> None:
    """Measure the comparison with the routine written by hand alone, and write it into the page."""
    page = PAGE.read_text(encoding="utf-8")
    before, _, rest = page.partition(HAND_TITLE)
    text = "\n".join(_against_hand()) + "\n## " + rest.partition("\n## ")[2]
    files.write_atomic(PAGE, before + text)
    print(f"accepted {PAGE.name}: {HAND_TITLE.removeprefix('## ')}")


_FLOAT_WORDS = """\
The `float` peer (`c_harness/float_peer.c`) is the same regulator as `{spec}`'s with `float`, on
the Cortex-M0+. It gives the same scale within 0.2 % of full scale and the same flags. Each cell
is float / integer = ratio, which is why the C uses integers. Flash is of reset, sample and
update."""


def _against_float(spec: str, made: Generation, result: runner.Result) -> Iterator[str]:
    yield "## Against float"
    yield ""
    yield _FLOAT_WORDS.format(spec=spec)
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
