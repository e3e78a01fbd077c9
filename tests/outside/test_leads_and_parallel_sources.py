"""Circuit laws behind two readings: what a lead picks up, and how sources in parallel share a load.

Sources: addition of phasors of one frequency (any textbook on AC); Kirchhoff's current law, solved
here as a linear system by NumPy; exact limits of a Poisson count, F. Garwood, Biometrika 28 (1936)
437, as half a quantile of chi-square by SciPy.
"""

from __future__ import annotations

import numpy as np
import pytest
from scipy.stats import chi2, norm

from seqrun.measure.bounds import Bounded
from seqrun.measure.counts import most_events
from seqrun.measure.levels import sharing
from seqrun.measure.pick_up import beside_pick_up
from seqrun.values import exactly


@pytest.mark.parametrize(("mains_v", "rest_v"), [(1e-3, 0.0), (0.3e-3, 0.4e-3), (0.0, 0.5e-3)])
def test_u_of_pick_up_reaches_the_largest_sum_of_two_phasors(mains_v: float, rest_v: float) -> None:
    pick_up_v = 0.2e-3
    phases = np.linspace(0.0, 2.0 * np.pi, 3601)
    sums = np.hypot(np.abs(mains_v + pick_up_v * np.exp(1j * phases)), rest_v)
    read_v = float(np.hypot(mains_v, rest_v))
    found = beside_pick_up(Bounded(exactly(read_v)), mains_v, pick_up_v)
    assert 2.0 * found.value.std_dev == pytest.approx(sums.max() - read_v, rel=1e-6)


@pytest.mark.parametrize(
    ("volts", "ohms"),
    [
        ((10.0, 10.0), (0.1, 0.1)),  # alike: nothing is apart
        ((10.0, 10.02), (0.1, 0.1)),  # 20 mV between them drives 0.1 A around
        ((10.0, 10.0, 10.0), (0.1, 0.12, 0.15)),
        ((10.0, 10.0), (0.1, 1e9)),  # an open joint: one gives all, the other nothing
    ],
)
def test_the_share_of_sources_in_parallel_is_that_of_kirchhoffs_law(
    volts: tuple[float, ...], ohms: tuple[float, ...]
) -> None:
    load_ohm, n = 8.0, len(volts)
    # unknown: each source's current, and the terminal's volts
    system = np.zeros((n + 1, n + 1))
    for k in range(n):
        system[k, k], system[k, n] = ohms[k], 1.0
    system[n, :n], system[n, n] = 1.0, -1.0 / load_ohm
    *currents, terminal_v = np.linalg.solve(system, np.array([*volts, 0.0]))
    equal = terminal_v / load_ohm / n
    apart = max(abs(i / equal - 1.0) for i in currents)
    # The load's current is read by itself: an open source shows in what the others give.
    found = sharing([exactly(float(i)) for i in currents], exactly(float(terminal_v / load_ohm)))
    assert found.nominal_value == pytest.approx(apart, abs=1e-9)


@pytest.mark.parametrize("seen", [0, 1, 4])
def test_what_a_count_leaves_possible_is_the_exact_limit_of_garwood(seen: int) -> None:
    one_sided = norm.cdf(2.0)  # as sure as value + U of a normal distribution
    assert most_events(seen) == pytest.approx(chi2.ppf(one_sided, 2 * (seen + 1)) / 2.0, rel=1e-6)
