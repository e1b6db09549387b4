"""What a virtual board is made of, in words, and the corner that it shares its parts with."""

from __future__ import annotations

from halfcycle.loop.corner_plants import deviation
from halfcycle.report.board_runs import BoardRuns
from halfcycle.report.parts import Corners
from halfcycle.simulate.boards import draw
from halfcycle.simulate.loads import load_words


def board_name(
    board_runs: BoardRuns, number: int, named: Corners, case_name: str
) -> tuple[str, str]:
    """The parts and the load of a board in a case as a corner's label has them, and the letter of
    the first corner with the same bus, filter, load and sensor; "" if there is none, as of a board
    inside the tolerances, or of a load that no corner has."""
    setting = board_runs.setting
    spec = setting.spec
    (case,) = (run.case for run in board_runs.runs if run.case.name == case_name)
    (drawn,) = draw(spec, range(number, number + 1), board_runs.seed, setting.inside)
    load = f"load {load_words(spec, drawn, case.loads)}"
    if number == 0:
        return f"nominal, {load}", ""
    circuit = (
        f"bus {drawn.bus_v:.4g} V, "
        f"{deviation('L', drawn.filter.inductance_h, spec.filter.inductance_uh)}, "
        f"{deviation('C', drawn.filter.capacitance_f, spec.filter.capacitance_uf)}, "
    )
    sensor = f"sensor {round(100 * (drawn.gain - 1), 2) + 0.0:+g} %"
    alike = (
        letter
        for label, letter in named.letters.items()
        if label.startswith(circuit) and {load, sensor} <= set(label.split(", "))
    )
    return f"{circuit}{load}, {sensor}", next(alike, "")
