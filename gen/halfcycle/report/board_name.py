"""What a virtual board is made of, in words, and the corner that it shares its parts with."""

from __future__ import annotations

from halfcycle.loop.corner_plants import deviation
from halfcycle.report.board_runs import BoardRuns
from halfcycle.report.parts import Corners
from halfcycle.simulate.boards import draw


def board_name(board_runs: BoardRuns, number: int, named: Corners) -> tuple[str, str]:
    """The parts of a board as a corner's label has them, and the letter of the first corner with
    the same bus, filter and sensor; "" if there is none, as of a board inside the tolerances."""
    setting = board_runs.setting
    spec = setting.spec
    (drawn,) = draw(spec, range(number, number + 1), board_runs.seed, setting.inside)
    circuit = (
        f"bus {drawn.bus_v:.4g} V, "
        f"{deviation('L', drawn.filter.inductance_h, spec.filter.inductance_uh)}, "
        f"{deviation('C', drawn.filter.capacitance_f, spec.filter.capacitance_uf)}, "
    )
    sensor = f"sensor {round(100 * (drawn.gain - 1), 2) + 0.0:+g} %"
    alike = (
        letter
        for label, letter in named.letters.items()
        if label.startswith(circuit) and sensor in label.split(", ")
    )
    return ("nominal" if number == 0 else circuit + sensor), next(alike, "")
