"""The whole page: every section gathered, then laid out by ``templates/report.html.j2``."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import halfcycle
from halfcycle.base import resources
from halfcycle.generate.pipeline import IntegerDesign
from halfcycle.report import (
    board_section,
    derive_limits,
    derive_loop,
    derive_measuring,
    frequency_section,
    integers_section,
    loop_section,
    measured_section,
    overload_section,
    sign_off_section,
    summary_section,
    target_section,
    weights_section,
    window_section,
)
from halfcycle.report.board_runs import BoardRuns, closest
from halfcycle.report.parts import Contents, Corners, Derivation, Figure, Table, exact, typeset
from halfcycle.spec.models import Spec
from halfcycle.spec.toml_text import value_text
from halfcycle.windows.search import Window

CAUTIONS = (
    "Mains voltage kills. Work on the equipment is for people who are trained and authorised to.",
    "The regulator is not a protection function. Over-current, over-voltage, over-temperature, "
    "isolation and interlocks are separate, in hardware, and work without this firmware.",
    "A wrong or missing sensor signal drives the output to its limit before any window can tell. "
    "Hardware must keep that within what the load survives.",
    "Figures hold for the spec as it is written below. A part outside its tolerance, another "
    "filter, another sensor or another loop period is another design: run the tool again.",
    "Follow local codes, and have licensed people review and test the equipment.",
)


@dataclass(frozen=True, slots=True)
class Section:
    """One part of the page."""

    slug: str
    title: str
    texts: tuple[str, ...] = ()
    figures: tuple[Figure, ...] = ()
    tables: tuple[Table, ...] = ()
    lines: tuple[str, ...] = ()
    """Remarks set as a list."""


def render(contents: Contents) -> str:
    """The page as text. The same contents give the same text."""
    design = contents.integer_design.design
    named = loop_section.corners(contents.integer_design)
    findings = summary_section.all_findings(contents)
    good, verdict = summary_section.verdict(contents, findings)
    spec = design.spec
    rows = summary_section.rows(contents, named)
    used = {row.where for row in rows if row.first}
    values: dict[str, Any] = {
        "good": good,
        "verdict": verdict,
        "rows": tuple(row for row in rows if row.first),
        "further": tuple(row for row in rows if not row.first),
        "figures": _first_figures(contents, named),
        "letters": {label: letter for label, letter in named.letters.items() if letter in used},
        "findings": summary_section.by_level(findings),
        "warned": any(finding.level == "warning" for finding in findings),
        "sign_off": sign_off_section.sign_off(contents, findings),
        "sections": _sections(contents, named),
        "pace": "update" if design.window.moving else "window",
        "derivations": tuple(derivation_list(contents.integer_design)),
        "command": contents.command,
        "boards": contents.boards,
        "worst_again": _worst_again(contents),
        "spec_text": contents.spec_text,
    }
    return lay_out(spec, values)


def _first_figures(contents: Contents, named: Corners) -> tuple[Figure, ...]:
    """What belongs on the first page: how a step settles, and what an overload does."""
    overload = board_section.overload_figure(contents.boards) if contents.boards else None
    step = loop_section.step_figure(contents.integer_design.design, named)
    return (step,) if overload is None else (step, overload)


def lay_out(spec: Spec, values: dict[str, Any]) -> str:
    """The page of a spec, with what is its own (``values``) and what every page has."""
    of_all: dict[str, Any] = {
        "name": spec.name,
        "rating": (
            f"{exact(spec.output.rated_rms_v)} V RMS, "
            f"{exact(spec.output.frequency_hz)} Hz, "
            f"{exact(spec.load.rated_va)} VA"
        ),
        "cautions": CAUTIONS,
        "version": halfcycle.__version__,
        "digest": spec.digest(),
        "defaults": tuple((key, value_text(value)) for key, value in spec.defaulted()),
    }
    empty: dict[str, Any] = {
        "further": (),
        "rows_title": "",
        "figures": (),
        "front": (),
        "sections": (),
    }
    values = of_all | empty | values
    values["spec_text"] = values["spec_text"].removeprefix("\ufeff")
    environment = resources.templates(html=True)
    environment.filters["typeset"] = typeset
    return environment.get_template("report.html.j2").render(values)


def _worst_again(contents: Contents) -> str:
    """The command that runs the worst board alone; empty without boards."""
    worst = closest(contents.boards) if contents.boards else None
    if worst is None or contents.run_again is None:
        return ""
    return contents.run_again(worst.case, worst.board)


def _sections(contents: Contents, named: Corners) -> tuple[Section, ...]:
    return (
        _window(contents),
        _loop(contents, named),
        _numbers(contents),
        _drive(contents),
        _boards(contents),
        *_measured(contents),
        _targets(contents),
    )


def _window(contents: Contents) -> Section:
    design = contents.integer_design.design
    shown = window_section.candidates(design)
    return Section(
        "window",
        "Measuring window",
        texts=(window_section.shape_note(design),),
        figures=(
            window_section.bounds_figure(design, shown),
            *(
                (weights_section.weights_figure(design), weights_section.response_figure(design))
                if design.window.blocks > 1
                else ()
            ),
            *(() if design.window.shaped else (window_section.points_figure(design),)),
        ),
        tables=(window_section.window_table(design, shown),),
    )


def _loop(contents: Contents, named: Corners) -> Section:
    design = contents.integer_design.design
    responses = frequency_section.curves(design)
    return Section(
        "loop",
        "Loop over all corners",
        texts=(
            f"{_pace(design.window)} Thin lines are the corners, the worst ones are drawn over "
            "them.",
        ),
        figures=(
            frequency_section.nyquist_figure(design, named, responses),
            *frequency_section.bode_figures(design, named, responses),
        ),
        tables=(loop_section.corner_table(design, named),),
    )


def _pace(window: Window) -> str:
    if not window.moving:
        return "One PI update per window; the drive holds until the next."
    return (
        f"A PI update every {exact(1000 * window.update_s)} ms, {window.updates} per "
        "window; the drive holds until the next. The curves are of the loop averaged over the "
        "sine's phases; the margins that count are those of the periodic loop."
    )


def _numbers(contents: Contents) -> Section:
    integer_design = contents.integer_design
    return Section(
        "numbers",
        "Integers and resolution",
        texts=(integers_section.rest_text(integer_design),),
        figures=(integers_section.resolution_figure(integer_design),),
        tables=(
            integers_section.signal_table(integer_design),
            integers_section.constant_table(integer_design),
        ),
    )


def _drive(contents: Contents) -> Section:
    design = contents.integer_design.design
    clips = overload_section.limit(design) > 1
    figures = [overload_section.wave_figure(design)]
    if clips:
        figures += [
            overload_section.spectrum_figure(design),
            overload_section.reporting_figure(design),
        ]
    return Section(
        "overload",
        "Overload and clipping",
        texts=(
            "The scale may exceed 1.0: the sine then clips at the bus and carries more "
            "fundamental, at the price of distortion."
            if clips
            else "The drive limit is at most 1.0: the sine never clips.",
        ),
        figures=tuple(figures),
        tables=(overload_section.drive_table(design),) if clips else (),
    )


def _boards(contents: Contents) -> Section:
    board_runs = contents.boards
    if board_runs is None:
        return Section(
            "boards", "Virtual boards", texts=(f"No virtual board was run: {contents.no_boards}",)
        )
    return Section(
        "boards",
        "Virtual boards",
        texts=(
            _which_boards(board_runs),
            *board_section.overload_text(board_runs),
            *board_section.quiet_text(board_runs),
        ),
        figures=board_section.case_figures(board_runs),
        tables=(board_section.case_table(board_runs),),
        lines=(
            *board_section.failures(board_runs),
            *(f"{name}: {source}." for name, source in board_section.curve_sources(board_runs)),
        ),
    )


def _which_boards(board_runs: BoardRuns) -> str:
    """What was run, and what the drawings show of it."""
    run = "The compiled C in closed loop with the circuit, on "
    if board_runs.boards == 1:
        return f"{run}the nominal board."
    return (
        f"{run}{board_runs.boards} boards: board 0 is nominal, then come the corners of all "
        "tolerances, the worst filters inside them, and boards spread evenly between them "
        f"(seed {board_runs.seed}). The shaded band holds every board."
    )


def _measured(contents: Contents) -> Iterator[Section]:
    measured = contents.measured
    if measured is None:
        return
    yield Section(
        "measured",
        "Measured boards",
        texts=(measured_section.spread_text(measured),),
        figures=measured_section.board_figures(measured),
        tables=(measured_section.board_table(contents.integer_design.design, measured),),
    )


def _targets(contents: Contents) -> Section:
    result = contents.targets
    if result is None:
        return Section(
            "targets",
            "Cost on processors",
            texts=(f"Not measured for this page: {contents.no_targets}",),
        )
    return Section(
        "targets",
        "Cost on processors",
        texts=(
            "The C compiled for each processor, run there by an emulator and compared with the "
            "model bit for bit.",
        ),
        tables=(target_section.cost_table(result),),
        lines=target_section.remarks(result),
    )


def derivation_list(integer_design: IntegerDesign) -> Iterator[Derivation]:
    """Each result of the design from its formula, with this design's numbers, in its order."""
    yield derive_measuring.window(integer_design)
    yield derive_measuring.reading(integer_design)
    yield derive_measuring.plant(integer_design)
    yield derive_loop.controller(integer_design)
    yield derive_loop.stability(integer_design)
    design = integer_design.design
    if design.chosen.faults.alternation_v > 0 and design.window.blocks == 1:
        yield derive_loop.offset(integer_design)
    yield derive_limits.dead_band(integer_design)
    yield derive_limits.limit_cycle(integer_design)
    if overload_section.limit(design) > 1:
        yield derive_limits.clipped(integer_design)
