"""Coverage-guided fuzzing of one way in: ``python tests/fuzz TARGET [SECONDS]``.

Needs atheris (``pip install -e '.[fuzz]'``). Starts from the kept seeds in ``tests/fuzz/seeds``; an
input that fails is printed and stays in the folder that is named then. Keep it: put it into
``tests/fuzz/seeds/TARGET``, which every test run replays.
"""

from __future__ import annotations

import sys
import tempfile
from pathlib import Path

import atheris

sys.path.insert(0, str(Path(__file__).parents[1]))

with atheris.instrument_imports(include=["halfcycle", "comtrade", "tomlkit"]):
    from fuzz.entry_points import TARGETS

SEEDS = Path(__file__).parent / "seeds"


def main() -> None:
    """Fuzz the target named first for as many seconds as the second argument says (60)."""
    target = sys.argv[1]
    seconds = sys.argv[2] if len(sys.argv) > 2 else "60"
    work = Path(tempfile.mkdtemp(prefix="fuzz-"))
    (work / "corpus").mkdir()
    print(f"found inputs and failures go to {work}")
    options = [
        f"-max_total_time={seconds}",
        "-timeout=20",
        "-rss_limit_mb=2048",
        "-max_len=4096",
        "-print_final_stats=1",
        f"-artifact_prefix={work}/",
    ]
    folders = [str(work / "corpus"), str(SEEDS / target)]
    atheris.Setup([sys.argv[0], *options, *folders], TARGETS[target])
    atheris.Fuzz()


if __name__ == "__main__":
    main()
