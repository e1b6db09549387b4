"""A new field of the state is a row of the table and its logic: nothing else has to know it.

Two fields are added to a copy of the package: two slots shared between levels, and a signed one
that only some Plans have. Whatever lists the state must then have them.
"""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

from support.paths import ROOT, TESTS
from support.tools import need_module

ROWS = """
    Field("visits", "uint16_t", "update", _fixed(0, 65535), "how many", slots=2, shared=True),
    Field(
        "last_error",
        "int32_t",
        "update",
        lambda plan: (-plan.reading_max, plan.target_max),
        "of the last window",
        present=lambda plan: plan.ramped,
    ),
"""
TARGET = '    Field(\n        "target_sequence",'
CHANGES = {
    "regulator/state.py": [(TARGET, ROWS + TARGET)],
    "regulator/model.py": [
        (
            "        self.output_sequence = 0\n",
            "        self.output_sequence = self.last_error = 0\n",
        ),
        (
            "        self.target_sequence = 0\n",
            "        self.target_sequence = 0\n        self.visits = [0, 0]\n",
        ),
        (
            "        self._publish(scale, reading, flags)\n\n",
            "        self._publish(scale, reading, flags)\n"
            "        self.last_error = error if plan.ramped else 0\n\n",
        ),
        (
            "        spare = sequence & 1\n",
            "        spare = sequence & 1\n"
            "        self.visits[spare] = (self.visits[now] + 1) & 65535\n",
        ),
    ],
    "templates/regulator.c.j2": [
        (
            "        s->flags[slot] = 0u;\n",
            "        s->flags[slot] = 0u;\n        s->visits[slot] = 0u;\n",
        ),
        (
            "    s->ramp = 0;\n",
            "    s->ramp = 0;\n    s->last_error = 0;\n",
        ),
        (
            "        s->ramp = ramp;\n",
            "        s->ramp = ramp;\n        s->last_error = error;\n",
        ),
        (
            "    s->scale[sequence & 1u] = scale;\n",
            "    s->visits[sequence & 1u] ="
            " (uint16_t)((s->visits[before & 1u] + UINT32_C(1)) & 65535u);\n"
            "    s->scale[sequence & 1u] = scale;\n",
        ),
    ],
}

SCRIPT = """
import random
from halfcycle.prove import eva
from halfcycle.prove.prove import prove
from halfcycle.regulator.state import field_names
from halfcycle.regulator.trace import record_names
from halfcycle.verify import adversarial, compare, compiler
from support import plan_cases, planted

NEW = ("visits_0", "visits_1", "last_error")
for case in ("mean ramped",):
    plan = planted.plan_of(case)
    assert set(NEW) < set(field_names(plan)) < set(record_names(plan))
    files = plan_cases.render(plan)
    source = f"{plan.name}.c"
    assert compare.verify(plan, files, samples=30_000).mismatch is None
    rows = adversarial.update_states(plan, random.Random(1), 50)
    assert len(set(rows[:, field_names(plan).index("visits_0")].tolist())) > 5
    assert not [proof for proof in prove(plan, files) if not proof.passed]
    assert compiler.strict_messages({**files, "d.c": eva.driver(plan)}, ["d.c"]) == ""
    assert ("s.last_error = (int32_t)ANY(INT32_C(-25600)" in eva.driver(plan)) == plan.ramped

    def changed(old, new):
        assert files[source].count(old) == 1
        return {**files, source: files[source].replace(old, new)}

    forgets = changed("        s->visits[slot] = 0u;\\n", "")
    assert compare.verify(plan, forgets, samples=30_000).mismatch.field == "visits_0"
    stands = changed("s->visits[before & 1u] + UINT32_C(1)", "s->visits[before & 1u] + 0u")
    assert compare.verify(plan, stands, samples=30_000).mismatch.field.startswith("visits")
    masked = "(s->visits[before & 1u] + UINT32_C(1)) & 65535u"
    wraps = changed(masked, "s->visits[before & 1u] + 1u")
    (proof, _) = prove(plan, wraps, ["update"])
    assert not proof.passed
"""

ON_A_TARGET = """
from halfcycle.targets import guest
from halfcycle.targets import run as runner
from halfcycle.targets.unicorn_cpu import UnicornCpu
from support import plan_cases, planted
from support import targets_kit as kit

way = kit.zig_way("mips32-be")
for case in ("mean", "mean ramped"):
    plan = planted.plan_of(case)
    files = plan_cases.render(plan)
    jobs = list(guest.jobs(plan, files, 2000, 1))
    cpu = UnicornCpu(way.machine, runner.guest_image(plan, files, way, "unicorn"))
    assert runner.compare(cpu, jobs) == ""
    source = f"{plan.name}.c"
    stands = files[source].replace("s->visits[before & 1u] + UINT32_C(1)", "s->visits[before & 1u]")
    wrong = {**files, source: stands}
    cpu = UnicornCpu(way.machine, runner.guest_image(plan, wrong, way, "unicorn"))
    assert "field visits" in runner.compare(cpu, jobs)
"""


@pytest.fixture(scope="module")
def changed_package(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with the package as it would be with the new fields."""
    folder = tmp_path_factory.mktemp("changed")
    package = folder / "halfcycle"
    shutil.copytree(ROOT / "gen" / "halfcycle", package)
    for name in ("templates", "c_harness"):
        shutil.copytree(ROOT / name, package / name)
    for name, changes in CHANGES.items():
        text = (package / name).read_text(encoding="utf-8")
        for old, new in changes:
            assert text.count(old) == 1, f"{name}: {old}"
            text = text.replace(old, new)
        (package / name).write_text(text, encoding="utf-8")
    return folder


def run(script: str, package: Path) -> None:
    path = os.pathsep.join([str(package), str(TESTS)])
    assertion = f"import halfcycle; assert halfcycle.__file__.startswith({str(package)!r})\n"
    ran = subprocess.run(
        [sys.executable, "-c", assertion + script],
        env={**os.environ, "PYTHONPATH": path},
        capture_output=True,
        text=True,
        check=False,
    )
    assert ran.returncode == 0, ran.stderr


def test_a_new_field_is_one_row_and_its_logic(changed_package: Path) -> None:
    run(SCRIPT, changed_package)


@pytest.mark.long
def test_a_new_field_comes_back_from_a_target(changed_package: Path) -> None:
    for name in ("ziglang", "unicorn", "elftools"):
        need_module(name, "targets")
    run(ON_A_TARGET, changed_package)
