"""Requests to the guest cut for slow emulators and small memories: the same answers, in order."""

from __future__ import annotations

import numpy as np
import pytest

from halfcycle.regulator.state import field_names
from halfcycle.regulator.trace import record_names
from halfcycle.targets import guest, request
from halfcycle.targets import run as runner
from halfcycle.targets.guest import Job
from halfcycle.targets.unicorn_cpu import UnicornCpu
from halfcycle.verify import scenarios
from support import targets_kit as kit


@pytest.fixture(scope="module")
def jobs() -> list[Job]:
    made = kit.example("weir_pump")
    return list(guest.jobs(made.plan, made.texts, 2000, 1, 311))


@pytest.fixture(scope="module")
def cpu() -> UnicornCpu:
    """A machine that takes whole requests, and says what the cut ones should be answered by."""
    way = kit.zig_way("cortex-m0plus")
    made = kit.example("weir_pump")
    return UnicornCpu(way.machine, runner.guest_image(made.plan, made.texts, way, "unicorn"))


def test_every_command_is_answered_as_counted(jobs: list[Job]) -> None:
    for job in jobs:
        assert (
            sum(answers for _, answers in request.commands(job.request, job.state_fields))
            == job.answers
        )
        joined = np.concatenate(
            [words for words, _ in request.commands(job.request, job.state_fields)]
        )
        assert np.array_equal(joined, job.request)


@pytest.mark.parametrize("most_in, most_out", [(3071, 8064), (60, 100)])
def test_chunks_fit_and_are_answered_as_the_whole(
    jobs: list[Job], cpu: UnicornCpu, most_in: int, most_out: int
) -> None:
    some = [request.shortened(job, 150) for job in jobs]
    fields = len(field_names(kit.example("weir_pump").plan))
    chunks = list(request.chunks([job.request for job in some], fields, most_in, most_out))
    assert all(len(words) <= most_in and due <= most_out for words, due in chunks)
    answer = cpu.exchange([words for words, _ in chunks])
    assert len(answer) == sum(due for _, due in chunks)
    assert np.array_equal(answer, cpu.exchange([job.request for job in some]))


def test_a_slow_emulator_runs_the_start_of_every_scenario(jobs: list[Job], cpu: UnicornCpu) -> None:
    made = kit.example("weir_pump")
    few = request.bounded(jobs, made.plan, 1600)
    assert {job.scenario for job in few} == {job.scenario for job in jobs}
    ran = [job for job in few if job.scenario in scenarios.SCENARIOS]
    assert [job.expected.shape for job in ran] == [(len(record_names(made.plan)), 100)] * len(
        scenarios.SCENARIOS
    )
    assert made.plan.samples == 50, "two windows"
    assert sum(job.expected.shape[1] for job in few) < 12_000
    assert runner.compare(cpu, few) == ""


def test_a_window_longer_than_the_share_of_a_scenario_still_ends() -> None:
    """An update must be among what is compared, however few samples are asked for."""
    made = kit.example("quay_kiosk")
    every = list(guest.jobs(made.plan, made.texts, 16, 1, 311))
    few = request.bounded(every, made.plan, 16)
    ticks = made.plan.samples + 2
    ran = [job for job in few if job.scenario in scenarios.SCENARIOS]
    assert all(job.expected.shape == (len(record_names(made.plan)), ticks) for job in ran)


def test_thinned_values_keep_the_edges_and_their_answers(jobs: list[Job], cpu: UnicornCpu) -> None:
    [job] = [job for job in jobs if job.scenario == "targets"]
    thin = request.thinned(job, 100)
    assert 100 <= thin.expected.shape[1] <= 140
    assert np.array_equal(thin.request[:80], job.request[:80])
    assert np.array_equal(thin.request[-2:], job.request[-2:])
    assert runner.compare(cpu, [thin]) == ""


def test_a_difference_in_a_cut_request_is_found(jobs: list[Job], cpu: UnicornCpu) -> None:
    [job] = [request.shortened(job, 60) for job in jobs if job.scenario == "overload"]
    wrong = job.expected.copy()
    wrong[job.fields.index("integral"), 59] += 1
    altered = Job(job.scenario, job.start, job.step, job.fields, job.request, wrong)
    assert "scenario overload, tick 59, field integral" in runner.compare(cpu, [altered])
