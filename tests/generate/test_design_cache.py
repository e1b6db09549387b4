"""A spec is designed once; what it is kept under leaves out nothing that a design depends on."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from halfcycle.base.errors import RefusedError
from halfcycle.generate import design_cache, pipeline
from halfcycle.spec.load import parse_spec
from support.goldens import specs

TEXT = next(path for path in specs() if path.stem == "peat_cabin").read_text()


@pytest.fixture(autouse=True)
def empty_cache(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path))


def forbid(monkeypatch: pytest.MonkeyPatch) -> None:
    def fail(*_: object, **__: object) -> None:
        raise AssertionError("designed again")

    monkeypatch.setattr(pipeline, "design", fail)


def test_the_second_time_is_the_same_and_no_work(monkeypatch: pytest.MonkeyPatch) -> None:
    spec = parse_spec(TEXT, "spec")
    first, files = pipeline.design_integers(spec, "a.toml"), pipeline.generate(spec).texts
    forbid(monkeypatch)
    second = pipeline.design_integers(spec, "b.toml")
    assert second.design.file == "b.toml", "messages name the file at hand"
    assert second.quantised == first.quantised
    assert second.findings == first.findings
    assert second.texts() == first.texts() == files == pipeline.generate(spec).texts


def test_a_refusal_is_kept_too(monkeypatch: pytest.MonkeyPatch) -> None:
    spec = parse_spec(re.sub("bus_min_v *=.*", "bus_min_v = 1", TEXT), "spec")
    with pytest.raises(RefusedError) as first:
        pipeline.generate(spec)
    forbid(monkeypatch)
    with pytest.raises(RefusedError) as second:
        pipeline.generate(spec)
    assert second.value.findings == first.value.findings


def test_a_value_left_to_its_default_is_another_design() -> None:
    """The banner lists those."""
    lines = [line for line in TEXT.splitlines() if not line.startswith("scale_max")]
    left_out = parse_spec("\n".join(lines), "spec")
    at = lines.index("[bridge]") + 1
    lines.insert(at, f"scale_max = {left_out.bridge.scale_max}")
    written = parse_spec("\n".join(lines), "spec")
    assert left_out.canonical() == written.canonical()
    assert pipeline.generate(left_out).texts != pipeline.generate(written).texts


@pytest.mark.parametrize("part", ["tool_digest", "machine"])
def test_another_build_or_machine_designs_anew(part: str, monkeypatch: pytest.MonkeyPatch) -> None:
    spec = parse_spec(TEXT, "spec")
    pipeline.design_integers(spec)
    forbid(monkeypatch)
    pipeline.design_integers(spec)
    monkeypatch.setattr(design_cache, part, lambda: "another")
    with pytest.raises(AssertionError, match="designed again"):
        pipeline.design_integers(spec)
