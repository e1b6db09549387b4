"""What the tests of the targets share: example regulators, ways that this machine has."""

from __future__ import annotations

from functools import cache

from halfcycle.generate.pipeline import Generation, generate
from halfcycle.spec.load import load_spec
from halfcycle.targets import run as runner
from halfcycle.targets import toolchains
from halfcycle.targets.machines import MACHINES
from halfcycle.targets.run import Way
from support.paths import EXAMPLES
from support.tools import leave_out, need_module

PIP = ("cortex-m0plus", "cortex-m4", "rv32imc", "mips32-be")
"""Targets that PyPI alone suffices for."""


@cache
def example(name: str) -> Generation:
    return generate(load_spec(EXAMPLES / f"{name}.toml"), name)


def need_pip_route() -> None:
    """Skip where the optional packages are not installed."""
    for name in ("ziglang", "unicorn", "elftools"):
        need_module(name, "targets")


def zig_way(target: str) -> Way:
    """zig and unicorn for a target."""
    need_pip_route()
    chain = toolchains.zig(MACHINES[target])
    assert isinstance(chain, toolchains.Toolchain)
    return Way(MACHINES[target], chain, (("unicorn", "unicorn"),))


def every_way(targets: tuple[str, ...] = ()) -> list[Way]:
    """All ways with all tools; skipped where one is absent, failed so in the full run."""
    chosen, absent = runner.ways(targets)
    if absent:
        message = "; ".join(f"{tool.target} needs {tool.tool}: {tool.install}" for tool in absent)
        leave_out(message)
    return chosen
