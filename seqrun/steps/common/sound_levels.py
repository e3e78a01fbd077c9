"""Whether a sound interface still has the levels that were found: its volume may have been moved.

A knob, or a slider in the system's settings, changes what is played or what is heard, and nothing
in what the interface says tells of it. The meter does, at both ends of a unit that is driven.
"""

from __future__ import annotations

from collections.abc import Mapping

from uncertainties import UFloat

from seqrun.errors import NotMeasured
from seqrun.plan.context import Context
from seqrun.plan.needs import Hookup
from seqrun.plan.view import BenchView
from seqrun.quantity import render
from seqrun.values import COVERAGE_FACTOR

#: beyond what meter and levels allow: what the interface itself drifts by (our own choice)
DRIFTS = 0.01


def asked(view: BenchView) -> bool:
    """Whether a levelled sound interface is on the bench, and a meter to hold it against."""
    if view.bench.sound is None or not view.has("meter") or view.by_hand("meter"):
        return False
    return any(view.drivers[view.key(role)].sound is not None for role in _ends(view))


def hookups(view: BenchView, channels: tuple[str, ...]) -> tuple[Hookup, ...]:
    """The meter at each end that is looked at."""
    ends = _ends(view).values()
    return tuple(view.meter_across(f"{end}.{channel}") for channel in channels for end in ends)


def _ends(view: BenchView) -> dict[str, str]:
    """Role of the interface -> the end of a unit that it is at."""
    both = {"scope": "out", "generator": "in"}
    return {
        role: end
        for role, end in both.items()
        if view.has(role) and view.drivers[view.key(role)].sound is not None
    }


def check(ctx: Context, told: Mapping[str, Mapping[str, UFloat]]) -> None:
    """Hold what the interface says is there against the meter.

    Args:
        told: ``out`` and ``in`` -> channel -> V rms that are there now by the interface.

    Raises:
        NotMeasured: they differ by more than both allow for.
    """
    meter = ctx.meter
    for role, end in _ends(ctx.view).items():
        for channel, by_levels in told[end].items():
            point, volts = f"{end}.{channel}", float(by_levels.nominal_value)
            ctx.connect(ctx.view.meter_across(point))
            meter.configure("ac_voltage", 1.1 * volts, 10.0)
            seen = meter.read(2)
            apart = seen - by_levels
            allowed = COVERAGE_FACTOR * float(apart.std_dev) + DRIFTS * volts
            if abs(float(apart.nominal_value)) > allowed:
                there = render(float(seen.nominal_value), "V", digits=3)
                word = "hears" if role == "scope" else "plays"
                raise NotMeasured(
                    f"the meter reads {there} at {point} where the sound interface {word} "
                    f"{render(volts, 'V', digits=3)}",
                    expected=f"the same within {render(allowed, 'V', digits=2)}",
                    where=point,
                    hint="was a volume moved since it was levelled, on it or in the system's "
                    "settings? put it back, or find the levels anew: seqrun bench sound FILE",
                )
