"""The committed C of the example specs; ``python tests/accept.py goldens`` writes it anew."""

from __future__ import annotations

from pathlib import Path

from support.paths import EXAMPLES

ACCEPT = "python tests/accept.py goldens"


def specs() -> list[Path]:
    """The example specs, in order."""
    return sorted(EXAMPLES.glob("*.toml"))


def fresh(spec: Path) -> dict[Path, str]:
    """What the code prints for a spec now, by golden file."""
    from halfcycle.generate.pipeline import generate  # noqa: PLC0415
    from halfcycle.spec.load import load_spec  # noqa: PLC0415

    texts = generate(load_spec(spec), spec.name).texts
    return {spec.with_suffix("") / name: text for name, text in texts.items()}


def accept() -> None:
    """Write every golden file; remove those that no spec gives."""
    from halfcycle.base.files import write_all  # noqa: PLC0415

    for spec in specs():
        wanted = fresh(spec)
        folder = spec.with_suffix("")
        folder.mkdir(exist_ok=True)
        write_all(folder, {path.name: text for path, text in wanted.items()})
        for path in folder.iterdir():
            if path not in wanted:
                path.unlink()
        print(f"accepted {folder.name}")
