"""Picture files: one style, the format by the file's suffix, no clock in them."""

from __future__ import annotations

import io
import os
from collections.abc import Callable
from typing import TYPE_CHECKING, Any

from halfcycle.base.cache import user_folder
from halfcycle.base.errors import Fault, InputError, ToolMissingError

if TYPE_CHECKING:
    from matplotlib.figure import Figure

SUFFIXES = (".svg", ".png", ".pdf")

CREATOR = "halfcycle picture"
MARK = CREATOR.encode()
"""In every picture that ``draw`` makes, near its start or its end."""

_METADATA: dict[str, dict[str, Any]] = {
    "svg": {"Date": None, "Creator": CREATOR},
    "pdf": {"CreationDate": None, "Creator": CREATOR},
    "png": {"Software": CREATOR},
}
"""No clock in it."""


def check_name(file: str) -> str:
    """The picture's format by the suffix of ``file``: "svg", "png" or "pdf".

    Raises InputError for any other.
    """
    for suffix in SUFFIXES:
        if file.lower().endswith(suffix):
            return suffix[1:]
    fault = Fault(file, "picture", "not a picture's suffix", f"use one of {', '.join(SUFFIXES)}")
    raise InputError([fault])


def draw(
    fill: Callable[[Figure], None],
    form: str,
    *,
    inches: tuple[float, float],
    dpi: int,
    font_size: float,
) -> bytes:
    """A figure of these ``inches`` that ``fill`` draws on, as a file of ``form``.

    Raises ToolMissingError without matplotlib.
    """
    cache = user_folder()
    if cache is not None and "MPLCONFIGDIR" not in os.environ:
        # Else matplotlib tells of a home that it may not write to, on stderr.
        os.environ["MPLCONFIGDIR"] = str(cache / "matplotlib")
    try:
        import matplotlib as mpl  # noqa: PLC0415 (slow to import, and optional)
        from matplotlib.figure import Figure  # noqa: PLC0415
    except ImportError:
        raise ToolMissingError(
            "a picture needs matplotlib; install it: pip install matplotlib"
        ) from None
    style: Any = {
        "font.size": font_size,
        "svg.hashsalt": "halfcycle",
        "svg.fonttype": "none",
        "axes.spines.top": False,
        "axes.spines.right": False,
    }
    with mpl.rc_context(style):
        figure = Figure(figsize=inches, dpi=dpi, layout="constrained")
        fill(figure)
        stored = io.BytesIO()
        figure.savefig(stored, format=form, metadata=_METADATA[form])
    return stored.getvalue()
