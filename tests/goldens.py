"""The committed C of the example specs. ``python tests/goldens.py --accept`` writes it anew."""

from __future__ import annotations

import sys
from pathlib import Path

EXAMPLES = Path(__file__).parent.parent / "docs" / "examples"
ACCEPT = "python tests/goldens.py --accept"


def specs() -> list[Path]:
    """The example specs, in order."""
    return sorted(EXAMPLES.glob("*.toml"))


def fresh(spec: Path) -> dict[Path, str]:
    """What the code prints for a spec now, by golden file."""
    from halfcycle.generation import generate  # noqa: PLC0415
    from halfcycle.spec import load_spec  # noqa: PLC0415

    texts = generate(load_spec(spec), spec.name).texts
    return {spec.with_suffix("") / name: text for name, text in texts.items()}


def accept() -> None:
    """Write every golden file; remove those that no spec gives."""
    from halfcycle.files import write_all  # noqa: PLC0415

    for spec in specs():
        wanted = fresh(spec)
        folder = spec.with_suffix("")
        folder.mkdir(exist_ok=True)
        write_all(folder, {path.name: text for path, text in wanted.items()})
        for path in folder.iterdir():
            if path not in wanted:
                path.unlink()
        print(f"accepted {folder.name}")


if __name__ == "__main__":
    if sys.argv[1:] != ["--accept"]:
        sys.exit(f"usage: {ACCEPT}")
    accept()
