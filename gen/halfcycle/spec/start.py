"""The spec that a new user starts from: commented, and good as it stands."""

from __future__ import annotations

import re

from halfcycle.spec.c_names import check_name
from halfcycle.spec.envelopes import ENVELOPES
from halfcycle.spec.unit_kinds import CHANGE_FIRST, DEFAULT_KIND, kind_of

TEMPLATE = "start.toml.j2"

_REMARKED = re.compile(r"^((?:# )?\w+ = \S+) +(# .*)$", re.MULTILINE)
"""A key with its value, and the remark behind it."""


def start_text(name: str, file: str, kind: str = DEFAULT_KIND) -> str:
    """Return the text of a first spec for the regulator ``name``.

    ``file``: the file that the comments name in their example commands; ``kind``: of unit, whose
    values it has. Raises ``c_names.BadNameError`` if ``name`` must not reach C,
    ``unit_kinds.UnknownKindError`` if there is no such kind.
    """
    from halfcycle.base import resources  # noqa: PLC0415 (jinja2: not for --help)

    unit = kind_of(kind)
    # No escapes: the output is TOML, and check_name admits nothing that would need one.
    text = (
        resources.templates()
        .get_template(TEMPLATE)
        .render(
            name=check_name(name),
            file=file,
            about=unit.about,
            unit=unit.tables,
            first_keys=CHANGE_FIRST.items(),
            envelopes=tuple((each.name, each.title) for each in ENVELOPES.values()),
        )
    )
    return "\n\n".join(_aligned(block) for block in text.split("\n\n"))


def _aligned(block: str) -> str:
    """The block's lines with their remarks one below the other."""
    width = max((len(match[1]) for match in _REMARKED.finditer(block)), default=0)
    return _REMARKED.sub(lambda match: f"{match[1]:{width}}  {match[2]}", block)
