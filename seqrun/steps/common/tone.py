"""One tone through the unit: the frequency that suits the record, its level in and out."""

from __future__ import annotations

from uncertainties import UFloat

from seqrun.measure.sinefit import fit_sine_4
from seqrun.measure.windows import Window, choose, coherent_setting
from seqrun.plan.context import Context
from seqrun.steps.common.drive import Drive, Waveform
from seqrun.values import rectangular

#: how far generator and scope clocks may differ: two quartz oscillators of 50 ppm (common practice)
CLOCKS = 1e-4
SOURCE_OHM = 50.0  # of a function generator's output (usual)
INPUT_OHM = 10e3  # of an amplifier's input when its sheet does not say (a low one)


def tuned(
    ctx: Context, frequency_hz: float, rate_hz: float, points: int, shared_clock: bool
) -> tuple[float, Window]:
    """The frequency to set, Hz, and the window that serves it.

    The tone is moved to where a whole number of periods fits the record and no two of them are
    sampled at the same phases: otherwise the converter's steps repeat from period to period and
    look like harmonics (IEEE 1241). Without a shared reference the clocks of generator and scope
    still drift apart within the record, and a window is needed however well the periods fit.
    """
    leakage_db = 6.02 * ctx.scope.bits + 20.0
    setting = coherent_setting(frequency_hz, rate_hz, points)
    window = choose(setting.cycles, 0.0 if shared_clock else CLOCKS, leakage_db)
    return setting.frequency_hz, window


def fundamental(wave: Waveform, frequency_hz: float) -> UFloat:
    """The rms of the tone in a record, V.

    Raises:
        NotMeasured: clipped, aliased, or no such tone.
    """
    fit = fit_sine_4(
        wave.volts, 1.0 / wave.dt_s, frequency_hz, gain=wave.gain, clipped=wave.clipped
    )
    return fit.rms


def at_input(ctx: Context, drive: Drive, channel: str) -> UFloat:
    """What the generator puts into an input, V rms: its set level, less what the input draws."""
    z = ctx.view.unit.input_impedance or INPUT_OHM
    settings = ctx.view.drivers[ctx.view.key("generator")].generator
    source = settings.impedance if settings is not None else SOURCE_OHM
    loading = ctx.persistent(
        "loading of the generator",
        lambda: rectangular(
            1.0 - source / (z + source),
            0.5 * source / z,
            "loading of the generator by the input",
        ),
    )
    return ctx.generator.amplitude(drive.outputs[channel]) * loading


def seen(drive: Drive) -> dict[str, Waveform]:
    """The outputs on a range that fits what is there now: a control may have turned it down."""
    waves = drive.capture()
    while all(float(abs(w.volts).max()) < 0.2 * peak_expected(drive, c) for c, w in waves.items()):
        before = dict(drive.gain)
        for channel, wave in waves.items():
            top = float(abs(wave.volts).max())
            drive.gain[channel] = top / drive.levels[channel] / drive.crest
        if all(drive.gain[c] >= 0.9 * before[c] for c in before):
            break
        waves = drive.capture()
        if all(peak_expected(drive, c) <= 0.1 for c in waves):
            break
    return waves


def peak_expected(drive: Drive, channel: str) -> float:
    """What an output should peak at by level and gain, V."""
    return drive.levels[channel] * drive.gain[channel] * drive.crest
