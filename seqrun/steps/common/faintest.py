"""The faintest crackle that counts, and the faintest that this bench can tell from the steps of its
scope's converter."""

from __future__ import annotations

import math

from seqrun.errors import BenchLacks
from seqrun.files.expression import VoltsExpression
from seqrun.measure.listening import least_beside_a_tone
from seqrun.plan.view import BenchView
from seqrun.quantity import render
from seqrun.steps.common.drive import HEADROOM

#: of the rated voltage: 60 dB below it, which a quiet room still hears (common practice)
OF_RATED = 1e-3
LOOKS = 10  # powers that are tried between two
SPARE = 0.97  # of what counts: the records say whether it was heard (our own choice)
WORDS = "faintest crackle that counts, V rms over 5 ms; rated_voltage / 1000 if none"


def faintest_v(view: BenchView, given: VoltsExpression | None) -> float:
    """The faintest crackle that counts, V rms over 5 ms."""
    if given is not None:
        return float(given.evaluate_in("V", view.unit.names()))
    return OF_RATED * float(view.unit.rated_voltage)


def step_v(view: BenchView, point: str, peak_v: float) -> float:
    """The converter's step at a point on the range that holds a peak, V; 0: no scope says it."""
    key = view.key("scope")
    scope = view.drivers[key].scope
    if scope is None:
        return 0.0
    hot, cold, _ = view.scope_on(point)
    ratios = view.bench.instrument[key].probe or (1.0,)
    square = 0.0
    for number in (hot, cold):
        if number is None:
            continue
        probe = ratios[number - 1] if number <= len(ratios) else ratios[-1]
        part = peak_v if cold is None else 0.75 * peak_v
        needed = 2.0 * part * (1.0 + scope.headroom) / probe
        ranges = sorted(scope.ranges)
        holds = next((r for r in ranges if r >= needed), ranges[-1])
        if scope.vernier:
            holds = min(holds, max(needed, ranges[0]))
        square += (holds * probe / 2.0**scope.bits) ** 2
    return math.sqrt(square)


def least_driven(view: BenchView, point: str, watts: float) -> float:
    """The faintest crackle beside a tone of that power at an output, V rms over 5 ms."""
    peak = HEADROOM * math.sqrt(2.0 * watts * view.unit.rated_load)
    return least_beside_a_tone(step_v(view, point, peak))


def heard_beside(
    view: BenchView, wanted_v: float, heard_v: float, watts: float, most_w: float
) -> float:
    """The most power, W, up to ``most_w``, beside which the faintest crackle that counts is still
    heard at every output; ``most_w`` where it is not heard beside ``watts`` either, as nothing is
    lost then.

    Args:
        wanted_v, heard_v: the faintest that counts, and that is heard beside ``watts``, V rms over
            5 ms: it grows as the range does.
    """
    if heard_v > wanted_v:
        return most_w

    def grows(power: float, point: str) -> float:
        before = least_driven(view, point, watts)
        return least_driven(view, point, power) / before if before else math.sqrt(power / watts)

    points = [f"out.{channel}" for channel in view.unit.channels]
    for n in range(LOOKS):
        power = most_w - n / LOOKS * (most_w - watts)
        if max(grows(power, point) for point in points) * heard_v <= SPARE * wanted_v:
            return power
    return watts


def least_quiet(view: BenchView, point: str) -> float:
    """The same of a point without drive, on the smallest range: twice a record between codes."""
    return step_v(view, point, 0.0)


def refuse_deaf(
    view: BenchView, least_v: float, wanted_v: float, where: str, *, driven: bool = False
) -> None:
    """See that this bench hears the faintest crackle that counts.

    Args:
        driven: beside a tone at that output.

    Raises:
        BenchLacks: the steps of its converter are louder.
    """
    if least_v > wanted_v:
        bits = math.ceil(math.log2(least_v / wanted_v))
        raise BenchLacks(
            f"{too_coarse(least_v, wanted_v)}; {_help(view, least_v, wanted_v, driven)}",
            expected=f"a converter of at least {bits} bits more, or a smaller range",
            where=where,
            hint="a scope of more bits; or what counts in the step: faintest = …",
        )


def _help(view: BenchView, least_v: float, wanted_v: float, driven: bool) -> str:
    """What this scope does decide, and what would hear more."""
    key = view.key("scope")
    scope = view.drivers[key].scope
    bits = 0 if scope is None else scope.bits + math.ceil(math.log2(least_v / wanted_v))
    ratio = max(view.bench.instrument[key].probe, default=1.0)
    ways = []
    if not driven and ratio > 1.0 and least_v / ratio <= wanted_v:
        ways.append("probes at ×1")  # beside a tone the range has to hold the tone all the same
    if scope is not None and view.drivers[key].sound is None:
        ways.append(f"a scope of {bits} bits or a sound interface" if bits else "a sound interface")
    helped = f"{' or '.join(ways)} would hear it; " if ways else ""
    least = render(1.05 * least_v, "V", digits=2)
    return f'{helped}with faintest = "{least}" this scope decides, of such crackles alone'


def too_coarse(least_v: float, wanted_v: float) -> str:
    """Why nothing can be said of the faintest crackle that counts."""
    return (
        f"a crackle has to be {render(least_v, 'V', digits=2)} rms to stand out of the scope's "
        f"steps and noise here, and one of {render(wanted_v, 'V', digits=2)} counts"
    )
