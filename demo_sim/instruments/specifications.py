"""What the virtual instruments' data sheets promise, as one table.

Invented figures in the style of mid-price bench instruments. An entry reads as data sheets put
it: ± (fraction of reading + offset in the function's own unit), and belongs to one range of one
function. The hidden error of an instrument is drawn within its entry (see ``hidden.py``); a driver
file that describes these instruments quotes the same figures.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Accuracy:
    """± (of_reading · |reading| + offset) on one range.

    ``full_scale`` and ``offset`` are in ``unit``; ``of_reading`` is a fraction (0.001 = 0.1 %).
    """

    instrument: str
    function: str
    unit: str
    full_scale: float
    of_reading: float
    offset: float

    @property
    def of_range(self) -> float:
        """The offset as a fraction of the range's full scale."""
        return self.offset / self.full_scale


def _ranges(
    instrument: str,
    function: str,
    unit: str,
    rows: Iterable[tuple[float, float, float]],
) -> list[Accuracy]:
    """Rows of (full scale, % of reading, % of range)."""
    return [
        Accuracy(instrument, function, unit, scale, reading / 100.0, ranged / 100.0 * scale)
        for scale, reading, ranged in rows
    ]


METER_PAIR_OHM = 0.2  # at most, of two leads with their contacts: in the data sheet of two wires
_OHMS = [
    (250.0, 0.01, 0.0016),
    (2.5e3, 0.01, 0.0004),
    (25e3, 0.01, 0.0004),
    (250e3, 0.01, 0.0004),
    (2.5e6, 0.012, 0.0004),
]

TABLE: tuple[Accuracy, ...] = (
    # Supply: the same figures for every output.
    Accuracy("supply", "readback_voltage", "V", 40.0, 0.001, 0.010),
    Accuracy("supply", "readback_current", "A", 5.0, 0.002, 0.005),
    Accuracy("supply", "program_voltage", "V", 40.0, 0.0005, 0.010),
    Accuracy("supply", "program_current", "A", 5.0, 0.002, 0.010),
    Accuracy("supply", "protection_voltage", "V", 44.0, 0.002, 0.050),
    Accuracy("supply", "protection_current", "A", 5.5, 0.005, 0.020),
    # Meter
    *_ranges(
        "meter",
        "dc_voltage",
        "V",
        [
            (0.25, 0.006, 0.002),
            (2.5, 0.005, 0.0005),
            (25.0, 0.005, 0.0004),
            (250.0, 0.006, 0.0004),
            (600.0, 0.006, 0.0025),
        ],
    ),
    *_ranges(  # 20 Hz … 20 kHz, true rms
        "meter",
        "ac_voltage",
        "V",
        [
            (0.25, 0.1, 0.02),
            (2.5, 0.1, 0.02),
            (25.0, 0.1, 0.02),
            (250.0, 0.1, 0.02),
            (600.0, 0.1, 0.05),
        ],
    ),
    *_ranges(
        "meter",
        "dc_current",
        "A",
        [(0.025, 0.05, 0.008), (0.25, 0.05, 0.004), (2.5, 0.1, 0.004), (10.0, 0.15, 0.02)],
    ),
    *_ranges("meter", "resistance_4w", "Ω", _OHMS),
    # Two-wire: the same converter, and up to 0.2 Ω of leads and contacts that are not nulled.
    *(
        Accuracy(
            "meter",
            "resistance_2w",
            "Ω",
            scale,
            reading / 100.0,
            ranged / 100.0 * scale + METER_PAIR_OHM,
        )
        for scale, reading, ranged in _OHMS
    ),
    # Scope, per channel and range; full scale is peak to peak, at the tip.
    # The ranges are continuous: the offset is 0.2 % of whatever full scale is set.
    Accuracy("scope", "voltage", "V", 1.0, 0.01, 0.002),
    # Generator: open-circuit rms level at 1 kHz.
    Accuracy("generator", "level", "V", 5.0, 0.01, 0.001),
)


def accuracy(instrument: str, function: str, full_scale: float | None = None) -> Accuracy:
    """The table entry; without ``full_scale`` the function's first."""
    for entry in TABLE:
        if (entry.instrument, entry.function) == (instrument, function) and (
            full_scale is None or entry.full_scale == full_scale
        ):
            return entry
    raise KeyError((instrument, function, full_scale))


def ranges(instrument: str, function: str) -> tuple[float, ...]:
    """Full scales of a function, smallest first, in the function's unit."""
    return tuple(
        entry.full_scale
        for entry in TABLE
        if (entry.instrument, entry.function) == (instrument, function)
    )


# --- Supply -----------------------------------------------------------------------------------
SUPPLY_OUTPUTS = 2
SUPPLY_VOLTS = 40.0  # rating of an output
SUPPLY_AMPERES = 5.0
SUPPLY_OVERRANGE = 1.1  # protection may be set up to this multiple of the rating
SUPPLY_SLEW_V_PER_S = 2000.0  # up-programming into a reservoir, 30 V in 15 ms
SUPPLY_RIPPLE_V_RMS = 0.5e-3
SUPPLY_SOURCE_OHM = 0.004
SUPPLY_READBACK_NOISE_V = 0.5e-3  # rms per reading
SUPPLY_READBACK_NOISE_A = 0.2e-3
SUPPLY_VOLT_DIGIT = 1e-3  # read-back resolution
SUPPLY_AMPERE_DIGIT = 1e-4

# --- Meter ------------------------------------------------------------------------------------
METER_OVERRANGE = 1.1  # above it: overload
METER_NPLC = (0.02, 100.0)  # line cycles; any in between
# Noise of one reading at 1 line cycle, rms, as a fraction of range; falls with √NPLC.
METER_NOISE_OF_RANGE = {
    "dc_voltage": 0.6e-6,
    "dc_current": 2e-6,
    "resistance_2w": 0.8e-6,
    "resistance_4w": 0.8e-6,
    "ac_voltage": 0.8e-5,
}
METER_LEAD_OHM = 0.05  # one test lead
METER_BURDEN_OHM = 0.01  # the current shunt
METER_FUSE_A = 12.0
# Temperature conversion itself, without the sensor: ± K.
METER_TEMPERATURE_K = {"FRTD": 0.06, "RTD": 0.6, "TC": 0.5, "THER": 0.1}

# --- Scope ------------------------------------------------------------------------------------
SCOPE_CHANNELS = 4
SCOPE_BITS = 12
SCOPE_RANGE_PP_V = (10e-3, 100.0)  # at the scope's own input, peak to peak; times the probe factor
SCOPE_MAX_POINTS = 2_000_000
SCOPE_MAX_RATE_HZ = 100e6
SCOPE_TIMEBASE = 5e-6  # ± fraction
SCOPE_NOISE_OF_RANGE = 1.0e-4  # front-end noise, rms, of full scale, full bandwidth
SCOPE_DISTORTION_DBC = -75.0  # second and third harmonic together, full-scale sine

# --- Generator --------------------------------------------------------------------------------
GENERATOR_OUTPUTS = 2
GENERATOR_MAX_V_RMS = 5.0  # into an open circuit
GENERATOR_SOURCE_OHM = 50.0
GENERATOR_FREQUENCY_HZ = (0.5, 2e6)
GENERATOR_FREQUENCY = 20e-6  # ± fraction
GENERATOR_FLATNESS_DB = 0.1  # ±, 20 Hz … 20 kHz against 1 kHz
GENERATOR_DISTORTION_DBC = -80.0
GENERATOR_NOISE_V_RMS = 8e-6  # 22 Hz … 22 kHz, output on
