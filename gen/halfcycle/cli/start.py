"""``halfcycle start``: write a commented spec that generates as it stands."""

from __future__ import annotations

from pathlib import Path

import click

from halfcycle.base.command_words import FORCE
from halfcycle.base.errors import Fault, InputError
from halfcycle.base.output_file import OutputFile
from halfcycle.base.text import printable
from halfcycle.cli.paths import PATH
from halfcycle.cli.tables import emit_json
from halfcycle.output.start import Start
from halfcycle.spec.c_names import BadNameError, check_name
from halfcycle.spec.start import start_text
from halfcycle.spec.unit_kinds import CHANGE_FIRST, DEFAULT_KIND, KINDS, UnknownKindError


@click.command("start")
@click.argument("name")
@click.option(
    "--like",
    metavar="KIND",
    default=DEFAULT_KIND,
    show_default=True,
    help=f"Kind of unit whose values the spec has: {', '.join(KINDS)}.",
)
@click.option("--out", type=PATH, help="The file; by default NAME.toml.")
@click.option(FORCE, is_flag=True, help="Replace the file if it exists.")
@click.option("--json", "as_json", is_flag=True, help="Print one JSON object.")
def command(name: str, like: str, out: Path | None, force: bool, as_json: bool) -> None:
    """Write a commented spec for the regulator NAME, which generates as it stands.

    NAME prefixes every name of the generated C. The spec's first lines say which keys to change
    first; the others have the usual values for that KIND.

    \b
    Example:
      halfcycle start gauge_hut --like 120v-60hz
    """
    try:
        check_name(name)
    except BadNameError as error:
        raise InputError([Fault("start", "NAME", error.problem, error.remedy)]) from None
    like = like.lower()
    path = out if out is not None else Path(f"{name}.toml")
    file = printable(str(path))
    try:
        text = start_text(name, printable(path.name), like)
    except UnknownKindError as error:
        raise InputError([Fault("start", "--like", error.problem, error.remedy)]) from None
    OutputFile(path, "--out", force=force).write(text)
    if as_json:
        emit_json(Start(str(path), like, tuple(CHANGE_FIRST)), indent=None)
    else:
        click.echo(f"wrote {file}; next: halfcycle design {file}")
