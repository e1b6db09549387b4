"""The JSON of ``halfcycle replay``."""

from __future__ import annotations

from halfcycle.bench import capture as bench
from halfcycle.bench import replay as domain
from halfcycle.output.base import Entry, Finding, each, means


class ReplayWindow(Entry):
    """One window of a recorded waveform: of a moving window, one for each update."""

    start_s: float = means("start, in the capture's time, s")
    true_rms_v: float = means(
        "RMS of the waveform in the window, V; for a shaped window, over the nearest half cycles"
    )
    reported_rms_v: float = means("RMS that the firmware reports, V")


class Harmonic(Entry):
    """A multiple of the frequency."""

    order: int = means("1 for the fundamental")
    rms_v: float = means("V")
    percent: float = means("% of the fundamental")


class Resampling(Entry):
    """How the capture was brought to the loop's samples."""

    method: str = means("interpolation between the capture's samples")
    points_per_cycle: float = means("samples of the capture per cycle")
    bound_percent: float | None = means("greatest error that it makes on a sine, %")
    error_v: float | None = means("the same in volts RMS")


class Captured(Entry):
    """What was read of a capture."""

    channel: str = means("the voltage's channel or column")
    samples: int = means("number of samples")
    start_s: float = means("time of the first sample, s")
    end_s: float = means("time of the last sample, s")
    step_s: float = means("usual time between samples, s")
    gaps: int = means("gaps in the samples")

    @classmethod
    def of(cls, capture: bench.Capture) -> Captured:
        """A capture that was read."""
        return cls(
            channel=capture.channel,
            samples=len(capture.time_s),
            start_s=float(capture.time_s[0]),
            end_s=float(capture.time_s[-1]),
            step_s=capture.step_s,
            gaps=len(capture.stretches) - 1,
        )


class Replay(Entry):
    """``halfcycle replay``; null if the capture holds no whole cycle."""

    windows: list[ReplayWindow] = means("all whole windows")
    measured_by: str = means("compiled C; model if no compiler was found or wanted")
    frequency_hz: float | None = means("frequency by a fit of a sine with harmonics, Hz")
    zero_v: float | None = means("mean of the waveform, V")
    form_factor: float | None = means("RMS over rectified mean")
    crest_factor: float | None = means("peak over RMS")
    thd_percent: float | None = means("RMS of the listed harmonics over the fundamental, %")
    harmonics: list[Harmonic] = means("the fundamental and its harmonics")
    resampling: Resampling = means("how the ADC's samples were made from the capture")
    capture: Captured = means("what was read")
    clipped_samples: int = means("samples beyond the ADC's range")
    findings: list[Finding] = means("what to change")

    @classmethod
    def of(cls, replay: domain.Replay, capture: bench.Capture) -> Replay:
        """What the firmware reported of ``capture``."""
        waveform = replay.waveform
        return cls(
            windows=[
                ReplayWindow(start_s=start, true_rms_v=true, reported_rms_v=reported)
                for start, true, reported in zip(
                    replay.start_s.tolist(),
                    replay.true_rms_v.tolist(),
                    replay.reported_rms_v.tolist(),
                    strict=True,
                )
            ],
            measured_by=replay.measured_by,
            frequency_hz=waveform.frequency_hz if waveform else None,
            zero_v=waveform.zero_v if waveform else None,
            form_factor=waveform.form_factor if waveform else None,
            crest_factor=waveform.crest_factor if waveform else None,
            thd_percent=waveform.thd_percent if waveform else None,
            harmonics=each(Harmonic, waveform.harmonics if waveform else ()),
            resampling=Resampling.model_validate(replay.resampling),
            capture=Captured.of(capture),
            clipped_samples=replay.clipped_samples,
            findings=each(Finding, replay.findings),
        )
