"""Kill a writer at every line that it runs, and look at what it leaves (a helper, no test).

Run as a program: ``python kill_points.py files|spec SPEC SIGNAL``. Each kill is a forked process
with a trace that sends the signal before its n-th line inside the modules that write. Prints how
many lines were tried, and after how many of them the set was part old, part new.

What a signal may leave: SIGKILL, no file that is neither old nor new, and where some are old and
some new, a temporary file that says so; every other signal, all old or all new.
"""

from __future__ import annotations

import os
import signal
import sys
import tempfile
from collections.abc import Callable
from pathlib import Path
from types import FrameType
from typing import Any

from halfcycle.base import files, signals
from halfcycle.spec.edit import edit_file

Contents = dict[str, bytes]
TRACED = (files.__file__, signals.__file__)


def killed_at(step: int, number: signal.Signals, action: Callable[[], object]) -> bool:
    """Run ``action`` in a process that gets a signal before its ``step``-th line; False: it ended
    before that."""
    child = os.fork()
    if child == 0:
        count = 0

        def line(frame: FrameType, event: str, arg: Any) -> Any:
            nonlocal count
            if event == "line":
                count += 1
                if count == step:
                    os.kill(os.getpid(), number)
            return line

        def call(frame: FrameType, event: str, arg: Any) -> Any:
            return line if frame.f_code.co_filename in TRACED else None

        write_all = files.write_all

        def traced(*arguments: Any) -> Any:
            sys.settrace(call)
            try:
                return write_all(*arguments)
            finally:
                sys.settrace(None)

        files.write_all = traced
        try:
            with signals.raised():
                action()
        except signals.StoppedError:
            os._exit(4)
        except BaseException:
            os._exit(3)
        os._exit(4 if count >= step else 0)
    _, status = os.waitpid(child, 0)
    if os.WIFSIGNALED(status):
        assert number == signal.SIGKILL
        return True
    code = os.waitstatus_to_exitcode(status)
    assert code in (0, 4), f"the action failed at line {step}"
    return code == 4


def contents(folder: Path) -> Contents:
    """Every file of a folder."""
    return {entry.name: entry.read_bytes() for entry in folder.iterdir()}


def sweep(
    old: Contents, new: Contents, number: signal.Signals, action: Callable[[Path], object]
) -> tuple[int, int]:
    """Kill ``action`` (which turns ``old`` into ``new``) at every line; the number of lines, and
    of those after which some files were old and some new."""
    step = mixed = 0
    while True:
        step += 1
        with tempfile.TemporaryDirectory() as name:
            folder = Path(name)
            for file, data in old.items():
                (folder / file).write_bytes(data)
            killed = killed_at(step, number, lambda: action(folder))  # noqa: B023
            left = contents(folder)
            for file in old.keys() | new.keys():
                assert left.get(file) in (old.get(file), new.get(file)), (step, file, left)
            spare = left.keys() - old.keys() - new.keys()
            assert all(file.endswith(".halfcycle-tmp") for file in spare), (step, spare)
            settled = {file: left[file] for file in left.keys() - spare}
            if number == signal.SIGKILL:
                if settled not in (old, new):
                    mixed += 1
                    assert files.leftovers(folder, new), (step, "nothing tells of the mixture")
            else:
                assert settled in (old, new), (step, left)
            if not killed:
                assert left == new, (step, left)
                return step - 1, mixed
            # Whatever it left behind, the next run gets through and clears up.
            action(folder)
            assert contents(folder) == new, step


def main() -> None:
    """Sweep the writers named on the command line."""
    number = signal.Signals[sys.argv[3]]
    if sys.argv[1] == "files":
        old = {"a.h": b"old header\n" * 50, "b.c": b"old code\n"}
        new = {"a.h": b"new header\n" * 90, "b.c": b"new code\n", "c.c": b"third\n"}
        counts = sweep(old, new, number, lambda folder: files.write_all(folder, new))
    else:
        text = Path(sys.argv[2]).read_bytes()
        old, new = {"s.toml": text}, {"s.toml": text.replace(b"= 2048", b"= 2050", 1)}

        def edit(folder: Path) -> None:
            edit_file(folder / "s.toml", {"sensor.zero_code": 2050})

        edit_first = tempfile.mkdtemp()  # Imports what the edit needs before any fork.
        (Path(edit_first) / "s.toml").write_bytes(text)
        edit(Path(edit_first))
        counts = sweep(old, new, number, edit)
    print(*counts)


if __name__ == "__main__":
    main()
