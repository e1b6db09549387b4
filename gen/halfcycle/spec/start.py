"""The spec that a new user starts from: commented, and good as it stands."""

from __future__ import annotations

from halfcycle.spec.c_names import check_name

TEMPLATE = "start.toml.j2"


def start_text(name: str, file: str) -> str:
    """Return the text of a first spec for the regulator ``name``.

    ``file``: the file that the comments name in their example commands.
    Raises ``naming.BadNameError`` where ``name`` must not reach C.
    """
    from halfcycle.base import resources  # noqa: PLC0415 (jinja2: not for --help)

    # No escapes: the output is TOML, and check_name admits nothing that would need one.
    return resources.templates().get_template(TEMPLATE).render(name=check_name(name), file=file)
