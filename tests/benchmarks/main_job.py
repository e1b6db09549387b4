"""What the main job costs beside its limits. Run: ``python tests/benchmarks/main_job.py [SPEC]``.

Commands are timed as whole processes, in turn with a process that only imports what they use, and
the ratio of the medians is printed. The comparison's speed is in samples a second on one core, and
the model's cost in microseconds a window.
"""

from __future__ import annotations

import statistics
import subprocess
import sys
import tempfile
import time
from pathlib import Path

from support.paths import example
from support.started import started

ROUNDS = 7
SPEC = example("peat_cabin")


def process(*arguments: str) -> float:
    """Seconds of one Python process."""
    start = time.perf_counter()
    subprocess.run([sys.executable, *arguments], check=True, capture_output=True)
    return time.perf_counter() - start


def beside(label: str, command: list[str], limit: list[str]) -> None:
    """Print the median ratio of two processes run in turn."""
    pairs = [(process(*command), process(*limit)) for _ in range(ROUNDS + 1)][1:]
    ratio = statistics.median(a / b for a, b in pairs)
    seconds, floor = (statistics.median(column) for column in zip(*pairs, strict=True))
    print(f"{label:<28}{seconds:7.3f} s{floor:9.3f} s{ratio:8.2f}")


def commands(spec: Path, folder: str) -> None:
    """Commands against the import of what they use."""
    print(f"{'command':<28}{'median':>9}{'imports':>11}{'ratio':>8}")
    core = (
        "import click, numpy, pydantic, halfcycle.spec.load, halfcycle.design.designer, "
        "halfcycle.quantise.quantise"
    )
    run = ["-m", "halfcycle"]
    beside("design --json", [*run, "design", str(spec), "--json"], ["-c", core])
    generate = [*run, "generate", str(spec), "--out", folder, "--no-verify", "--force"]
    beside(
        "generate --no-verify",
        generate,
        ["-c", f"{core}, halfcycle.generate.emit"],
    )
    windows = [*run, "windows", "--frequency-hz", "60", "--period-us", "1000", "--json"]
    beside("windows --json", windows, ["-c", "import click, numpy, halfcycle.windows.search"])


def comparison(spec: Path) -> None:
    """Speed of the bit-exact comparison, and of the model alone."""
    from halfcycle.generate.pipeline import generate  # noqa: PLC0415
    from halfcycle.spec.load import load_spec  # noqa: PLC0415
    from halfcycle.verify.compare import verify  # noqa: PLC0415

    made = generate(load_spec(spec), spec.name)
    verify(made.plan, made.texts, samples=100_000, seed=1)  # compiles
    samples = 10_000_000
    start = time.process_time()
    result = verify(made.plan, made.texts, samples=samples, seed=1)
    seconds = time.process_time() - start
    assert result.mismatch is None
    print(
        f"\nbit-exact comparison: {result.samples:,} samples and {result.calls:,} single calls in "
        f"{seconds:.2f} s of processor time: {result.samples / seconds / 1e6:.1f} million samples/s"
    )
    regulator = started(made.plan)
    windows = 20_000
    start = time.process_time()
    rated = made.plan.target_rated << made.plan.reading_shift
    if made.plan.measure == "rms":
        rated *= made.plan.target_rated
    for number in range(windows):
        regulator.close_with((rated * (90 + number % 16) // 100) & 0xFFFFFFFF)
        regulator.update()
    seconds = time.process_time() - start
    print(f"model: {1e6 * seconds / windows:.1f} us an update, one update a window")


def main() -> None:
    """Run both parts for the spec named, or a bundled one."""
    spec = Path(sys.argv[1]) if len(sys.argv) > 1 else SPEC
    with tempfile.TemporaryDirectory() as folder:
        commands(spec, folder)
    comparison(spec)


if __name__ == "__main__":
    main()
