"""What each command's ``--json`` prints: the one list of its keys, with units and meaning.

The models describe; the commands build their dictionaries themselves. Tests run every command and
hold its output to ``output.schema.json``, which is made of these models: no key more, none less.
"""

from __future__ import annotations

from halfcycle import output_design as design
from halfcycle import output_runs as runs
from halfcycle.output_base import Entry, Refused

OUTPUTS: dict[str, tuple[type[Entry], ...]] = {
    "start": (design.Start,),
    "windows": (design.Windows,),
    "design": (design.Design, Refused),
    "generate": (design.Generate,),
    "check": (runs.Checks, runs.Tick),
    "retune": (design.Retune, Refused),
    "simulate": (runs.Simulate, Refused),
    "report": (runs.Report, Refused),
    "targets": (runs.Targets, Refused),
    "replay": (runs.Replay, Refused),
    "calibrate": (runs.Calibrate,),
}
"""What a command may print, by its name; the usual first."""
