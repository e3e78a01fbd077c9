"""What generator and scope bring into a distortion themselves, by their drivers alone."""

from __future__ import annotations

import math

from seqrun.plan.view import BenchView

#: a converter's curvature where the data sheet is silent: one step against the peak
STEPS_OF_CURVATURE = 1.0


def distortion_floor(view: BenchView, level: float = 1.0) -> float:
    """Distortion of generator and scope together, as a ratio, from what their drivers say.

    Each is taken to have what its data sheet allows, at a phase of its own, so that squares add.
    Where the data sheet is silent the scope's is one converter step against the peak (an integral
    nonlinearity of that size is usual) and the generator's nothing beside it.

    Args:
        level: peak over full scale of the scope: the second harmonic of a slight curvature falls
            with the level, the third with its square; half the square is taken to be in each.
    """
    scope = view.drivers[view.key("scope")].scope
    generator = view.drivers[view.key("generator")].generator
    assert scope is not None and generator is not None, "drivers are checked when they are read"
    own = scope.distortion or STEPS_OF_CURVATURE * 2.0 ** (1 - scope.bits)
    # Lines that quantising makes of a sine fall by about 9 dB a bit (from memory); ten of them.
    steps = math.sqrt(10.0) * math.pow(2.0, -1.5 * scope.bits)
    own *= level * math.sqrt(0.5 * (1.0 + level * level))
    return math.hypot(own, steps, generator.distortion or 0.0)
