"""The spec that a new user starts from: commented, and good as it stands."""

from __future__ import annotations

from importlib.resources import files

from halfcycle.spec.c_names import check_name

TEMPLATE = "start.toml.j2"


def start_text(name: str, file: str) -> str:
    """Return the text of a first spec for the regulator ``name``.

    ``file``: the file that the comments name in their example commands.
    Raises ``naming.BadNameError`` where ``name`` must not reach C.
    """
    from jinja2 import Environment, StrictUndefined  # noqa: PLC0415

    # No autoescape: the output is TOML, and check_name admits nothing that would need it.
    environment = Environment(undefined=StrictUndefined, keep_trailing_newline=True)
    source = files("halfcycle.templates").joinpath(TEMPLATE).read_text(encoding="utf-8")
    return environment.from_string(source).render(name=check_name(name), file=file)
