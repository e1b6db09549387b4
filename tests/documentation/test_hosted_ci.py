"""The jobs for hosted CI: parsed, their commands run on the project, and their JUnit file is the
one that they publish. Keys and tasks as the services' manuals had them, from memory."""

from __future__ import annotations

import re
import shlex
import subprocess
import sys
from pathlib import Path
from typing import Any

import junitparser
import pytest
import yaml

import halfcycle
from support.paths import DOCS

PROJECTS = DOCS / "projects"
JOBS = sorted((PROJECTS / "ci").iterdir())


def job(path: Path) -> Any:
    return yaml.safe_load(path.read_text())


def strings(part: Any, *keys: str) -> list[str]:
    """All strings below ``part`` that stand under one of the keys."""
    if isinstance(part, dict):
        found = []
        for key, value in part.items():
            if key in keys:
                found += [value] if isinstance(value, str) else [v for v in value if v]
            found += strings(value, *keys)
        return [text for text in found if isinstance(text, str)]
    return (
        [text for item in part for text in strings(item, *keys)] if isinstance(part, list) else []
    )


def commands(path: Path) -> list[str]:
    return strings(job(path), "run", "script")


def check_of(path: Path) -> list[str]:
    (line,) = [line for line in commands(path) if line.startswith("halfcycle ")]
    return shlex.split(line)


@pytest.mark.parametrize("path", JOBS, ids=lambda path: path.stem)
def test_a_job_installs_checks_and_publishes_what_it_wrote(path: Path) -> None:
    install, check = commands(path)
    assert install.startswith("pip install ") and check.startswith("halfcycle check ")
    junit = check_of(path)[check_of(path).index("--junit") + 1]
    assert strings(job(path), "path", "junit", "testResultsFiles") == [junit]
    assert "always" in " ".join(strings(job(path), "if", "when", "condition"))
    assert strings(job(path), "HALFCYCLE") == [f"halfcycle=={halfcycle.__version__}"]
    assert not re.search(r"https?://|\bsecret|\btoken", path.read_text(), re.IGNORECASE)


def test_the_page_names_every_job() -> None:
    text = (PROJECTS / "README.md").read_text()
    assert len(JOBS) == 3
    assert re.findall(r"`ci/(\w+\.yml)`", text) == ["github.yml", "gitlab.yml", "azure.yml"]


def test_a_job_with_another_file_is_found(tmp_path: Path) -> None:
    wrong = tmp_path / "gitlab.yml"
    text = (PROJECTS / "ci" / "gitlab.yml").read_text()
    wrong.write_text(text.replace("junit: check.xml", "junit: report.xml"))
    with pytest.raises(AssertionError):
        test_a_job_installs_checks_and_publishes_what_it_wrote(wrong)


@pytest.mark.full
@pytest.mark.parametrize("edited", [False, True], ids=["good", "edited by hand"])
def test_the_check_writes_the_file_either_way(tmp_path: Path, edited: bool) -> None:
    """All jobs have the same command."""
    words = {tuple(check_of(path)) for path in JOBS}
    (check,) = words
    spec, folder = check[2], check[3]
    (tmp_path / spec).write_text((PROJECTS / "twin_outlet" / spec).read_text())
    run = [sys.executable, "-m", "halfcycle"]
    made = subprocess.run(
        [*run, "generate", spec, "--out", folder, "--no-verify"], cwd=tmp_path, check=False
    )
    assert made.returncode == 0
    if edited:
        source = tmp_path / folder / "twin_outlet.c"
        source.write_text(source.read_text().replace("flags |= ", "flags = ", 1))
    done = subprocess.run([*run, *check[1:]], cwd=tmp_path, capture_output=True, check=False)
    assert done.returncode == (1 if edited else 0)
    suites = junitparser.JUnitXml.fromfile(str(tmp_path / "check.xml"))
    failed = sum(suite.failures for suite in suites)
    assert (failed > 0) == edited
