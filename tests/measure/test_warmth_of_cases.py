"""Cases told apart by what they do in seconds, over a heatsink that takes minutes: against a
thermal network of two nodes, solved in closed form by small steps here."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from seqrun.errors import NotMeasured
from seqrun.measure.cases import Visit, departures, untouched, warmths
from seqrun.values import exactly, normal, rectangular

HOLD_S, DRIFT_S, MOVE_S = 30.0, 30.0, 15.0
CASE_J_PER_K, SINK_K_PER_W, SINK_J_PER_K = 8.0, 1.0, 520.0
ROOM = 22.0
REST, LARGE, SMALL = 0.8, 4.0, 1.3  # W of each device


def visits(
    joints: list[float], touch: list[float] | None = None, share: list[float] | None = None
) -> list[Visit]:
    """A probe goes from case to case of devices on one heatsink, with the heat above.

    Args:
        touch: which part of the warmth over the room the probe shows. share: of each device's
            heat by the small tone.
    """
    n = len(joints)
    touch, share = touch or [1.0] * n, share or [1.0] * n
    g = 1.0 / np.array(joints)
    state = np.full(n + 1, 9.0)  # rises over the room: warm from idle
    now = 0.0

    def go(seconds: float, heat: np.ndarray) -> None:
        nonlocal now, state
        for _ in range(round(seconds / 0.1)):
            flow = g * (state[:n] - state[n])
            state[:n] += 0.1 * (heat - flow) / CASE_J_PER_K
            state[n] += 0.1 * (flow.sum() - state[n] / SINK_K_PER_W) / SINK_J_PER_K
        now += seconds

    rest = np.full(n, REST)
    tones = (np.full(n, LARGE), REST + (SMALL - REST) * np.array(share))
    found = []
    for k in (-1, *range(n)):
        celsius, times = [], []

        def look(k: int = k, celsius: list = celsius, times: list = times) -> None:  # type: ignore[type-arg]
            celsius.append(normal(ROOM + touch[k] * float(state[k]), 0.004, "meter"))
            times.append(now)

        go(MOVE_S, rest)
        look()
        for heat in tones:
            go(HOLD_S, heat)
            look()
        go(HOLD_S, rest)
        look()
        go(DRIFT_S, rest)
        look()
        if k >= 0:
            found.append(Visit(tuple(celsius), tuple(times)))
    return found


def test_the_rise_of_each_case_is_its_heat_times_its_joint() -> None:
    joints = [0.5, 0.6, 0.7, 0.6, 0.9, 0.4]
    for joint, one in zip(joints, warmths(visits(joints), 0.03), strict=True):
        assert one.large.nominal_value == pytest.approx(
            joint * (LARGE - REST), abs=2.0 * one.large.std_dev
        )
        assert one.small is not None
        assert one.small.nominal_value == pytest.approx(
            joint * (SMALL - REST), abs=2.0 * one.small.std_dev
        )
        assert one.large.std_dev < 0.1 * one.large.nominal_value


def test_joint_and_contact_cancel_between_the_two_tones() -> None:
    joints, touch = [0.5, 0.6, 0.7, 0.9], [1.0, 0.97, 0.99, 0.98]
    found = warmths(visits(joints, touch), 0.03)
    parts = [one.small / one.large for one in found if one.small is not None]
    for departure in departures(parts):
        assert departure is not None
        assert departure.nominal_value == pytest.approx(0.0, abs=2.0 * departure.std_dev)
    assert not any(
        "contact" in str(v.tag)
        for v in parts[0].derivatives
        if abs(parts[0].derivatives[v] * v.std_dev) > 1e-9 * abs(parts[0].nominal_value)
    )


def test_a_device_that_takes_half_of_its_part_of_a_small_tone_stands_out() -> None:
    found = warmths(visits([0.5, 0.6, 0.8, 0.6, 0.7], share=[1, 1, 0.5, 1, 1]), 0.03)
    away = departures([one.small / one.large for one in found if one.small is not None])
    assert away[2] is not None
    assert away[2].nominal_value == pytest.approx(-0.5, abs=0.1)
    assert all(abs(d.nominal_value) < 0.12 for n, d in enumerate(away) if n != 2 and d is not None)


def test_a_dry_joint_is_told_though_its_case_has_not_settled() -> None:
    one, *others = warmths(visits([8.0, 0.6, 0.7, 0.5, 0.6]), 0.03)
    assert one.small is None
    assert all(other.small is not None for other in others)
    away = departures([w.large for w in (one, *others)])
    assert away[0] is not None
    assert away[0].nominal_value > 3.0
    assert all(abs(d.nominal_value) < 0.4 for d in away[1:] if d is not None)


@given(st.lists(st.floats(0.2, 5.0), min_size=3, max_size=12), st.data())
@settings(max_examples=60)
def test_one_that_stands_out_leaves_the_others_where_they_are(
    values: list[float], data: st.DataObject
) -> None:
    number = data.draw(st.integers(0, len(values) - 1))
    alike = [exactly(1.0 + 0.01 * v) for v in values]
    alike[number] = exactly(20.0)
    found = departures(alike)
    away = found.pop(number)
    assert away is not None and away.nominal_value > 15.0
    assert all(d is not None and abs(d.nominal_value) < 0.06 for d in found)


def test_a_dead_one_of_two_stands_out_and_is_no_measure_for_the_other() -> None:
    dead, alive = departures([normal(0.01, 0.05, "a"), normal(2.0, 0.05, "b")])
    assert dead is not None and dead.nominal_value == pytest.approx(-0.995)
    assert alive is None


def test_where_nothing_gets_warm_nothing_is_told() -> None:
    with pytest.raises(NotMeasured, match="no case gets warmer"):
        departures([normal(0.01, 0.05, "a"), normal(-0.02, 0.05, "b"), None])
    with pytest.raises(NotMeasured, match="at least two"):
        departures([normal(2.0, 0.05, "a"), None])
    with pytest.raises(NotMeasured, match="1 case"):
        warmths(visits([0.6]), 0.03)


def test_a_probe_in_the_air_and_a_dead_device_are_told_apart() -> None:
    room = rectangular(ROOM, 0.4, "thermometer")
    seen = visits([0.6, 0.6, 0.6, 0.6], touch=[1.0, 0.05, 1.0, 1.0])
    why = untouched(seen, warmths(seen, 0.03), room)
    assert [bool(no) for no in why] == [False, True, False, False]
    assert "hangs in the air" in why[1]
    dead = visits([0.6, 0.02, 0.6, 0.6])  # its case is at the heatsink's temperature
    assert untouched(dead, warmths(dead, 0.03), room) == [""] * 4
    cool = normal(ROOM + 12.0, 0.4, "a warm room")  # the metal is hardly above it
    why = untouched(dead, warmths(dead, 0.03), cool)
    assert "too cool to tell" in why[1]
