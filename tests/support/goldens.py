"""The committed C of the example specs; ``python tests/accept.py goldens`` writes it anew."""

from __future__ import annotations

from pathlib import Path

from support.paths import DOCS, EXAMPLES, TESTS

ACCEPT = "python tests/accept.py goldens"


def specs() -> list[Path]:
    """The example specs, in order."""
    return sorted(EXAMPLES.glob("*.toml"))


def scenarios() -> list[Path]:
    """Specs of a scenario of their own, of which few tests need more than the C."""
    return sorted((DOCS / "scenarios").glob("*.toml"))


def fresh(spec: Path) -> dict[Path, str]:
    """What the code prints for a spec now, by golden file."""
    from halfcycle.generate.pipeline import generate  # noqa: PLC0415
    from halfcycle.spec.load import load_spec  # noqa: PLC0415

    texts = generate(load_spec(spec), spec.name).texts
    return {spec.with_suffix("") / name: text for name, text in texts.items()}


PLANS = ("moving flat", "moving shaped rms ramped")
"""Hand-made Plans whose C is kept, beside the specs': windows of blocks."""


def plan_folder(case: str) -> Path:
    """Where the C of a hand-made Plan is kept."""
    return TESTS / "data" / "blocks" / case.replace(" ", "_")


def fresh_plan(case: str) -> dict[Path, str]:
    """What the templates print for a hand-made Plan now, by golden file."""
    from halfcycle.generate.emit import sign  # noqa: PLC0415
    from support import plan_cases, planted  # noqa: PLC0415

    texts = plan_cases.render(planted.plan_of(case))
    return {plan_folder(case) / name: sign(text) for name, text in texts.items()}


def accept() -> None:
    """Write every golden file; remove those that no spec gives."""
    from halfcycle.base.files import write_all  # noqa: PLC0415

    every = [(spec.with_suffix(""), fresh(spec)) for spec in (*specs(), *scenarios())]
    every += [(plan_folder(case), fresh_plan(case)) for case in PLANS]
    for folder, wanted in every:
        folder.mkdir(parents=True, exist_ok=True)
        write_all(folder, {path.name: text for path, text in wanted.items()})
        for path in folder.iterdir():
            if path not in wanted:
                path.unlink()
        print(f"accepted {folder.name}")
