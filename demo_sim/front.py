"""From what generators put on the sockets to what arrives at each power stage.

Three ways in: a generator on the plug before the power stage (which takes the unit's own
small-signal part off), a generator on a socket, through selector and volume, or nothing. What is
left of other channels and other sockets leaks in where there is no signal of one's own.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace

import numpy as np

from demo_sim.amplifier.sections import Knobs, section_response
from demo_sim.amplifier.signal import InputSignal, at_input, pass_through
from demo_sim.amplifier.spec import AmplifierSpec, ChannelSpec
from demo_sim.ports import Drive

SOCKET_OHM = 47e3
MUTE_S = 0.6  # output relays open while the input selector moves

DrivesAt = Mapping[str, Sequence[tuple[str, Drive]]]


class Front:
    """Knobs of one unit and what they make of its inputs."""

    def __init__(self, spec: AmplifierSpec) -> None:
        self.spec = spec
        self.knobs = Knobs(input=spec.inputs[0] if spec.inputs else "")

    def turn(self, name: str, value: str | float | bool) -> None:
        """Change a knob; DemoError when the unit has none of that name or no such place."""
        self.knobs = self.knobs.turned(name, value, self.spec.inputs, self.spec.channel_names)

    def settings(self) -> dict[str, str | float | bool]:
        """Knobs that this unit has, as they stand."""
        k = self.knobs
        own: dict[str, str | float | bool] = {
            "power_input": k.power_input,
            "speakers": k.speakers,
            "protection_test": k.protection_test,
            "mains": k.mains,
        }
        if self.spec.inputs:
            own |= {
                "input": k.input,
                "volume": k.volume,
                "balance": k.balance,
                "bass": k.bass,
                "treble": k.treble,
                "loudness": k.loudness,
                "standby": k.standby,
            }
        return own

    def sockets(self, at: DrivesAt) -> dict[str, InputSignal]:
        """What is on each socket, by node name."""
        return {
            node: at_input(at.get(node, ()), SOCKET_OHM)
            for channel in self.spec.channels
            for node in (f"in.{channel.name}.{name}" for name in self.spec.inputs)
        }

    def inputs(self, at: DrivesAt) -> dict[str, InputSignal]:
        """What arrives at each channel's power stage."""
        sockets = self.sockets(at)
        plugged = {
            channel.name: self._arriving(number, channel, at, sockets)
            for number, channel in enumerate(self.spec.channels)
        }
        own = {c.name: plugged[c.fed_by or c.name] for c in self.spec.channels}
        return {name: self._with_crosstalk(name, own) for name in own}

    def _arriving(
        self,
        number: int,
        channel: ChannelSpec,
        at: DrivesAt,
        sockets: Mapping[str, InputSignal],
    ) -> InputSignal:
        node = f"in.{channel.name}"
        if self.knobs.power_input == "shorted":
            return InputSignal()
        direct = at.get(node, ())
        if direct or channel.section is None or self.knobs.power_input == "unplugged":
            return at_input(direct, channel.input_ohm)
        return self._through_sections(number, channel, sockets)

    def _through_sections(
        self, number: int, channel: ChannelSpec, sockets: Mapping[str, InputSignal]
    ) -> InputSignal:
        section, knobs = channel.section, self.knobs
        assert section is not None
        divided = channel.input_ohm / (channel.input_ohm + section.output_ohm)
        middle = complex(section_response(np.array([1000.0]), section, knobs, number)[0])
        gain = abs(middle) * divided
        density = section.phono_v_rt_hz if knobs.input == "phono" else section.line_v_rt_hz
        selected = sockets[f"in.{channel.name}.{knobs.input}"]
        source, share = selected, 1.0 + 0.0j
        if selected.period is None:
            for name in self.spec.inputs:
                other = sockets[f"in.{channel.name}.{name}"]
                if name != knobs.input and other.period is not None:
                    source, share = other, 1j * section.leak
        noise = tuple((terminal, rms * gain) for terminal, rms in selected.noise)
        arrived = InputSignal(noise=noise, density_v_rt_hz=density * gain)
        if source.period is None:
            return arrived
        frequencies = source.period.frequencies()
        response = divided * section_response(frequencies, section, knobs, number)
        if source is not selected:
            response = response * share * frequencies / 1000.0
        volts = np.clip(pass_through(source, response), -section.limit_v, section.limit_v)
        return replace(arrived, period=source.period, volts=volts)

    def _with_crosstalk(self, name: str, own: Mapping[str, InputSignal]) -> InputSignal:
        """A channel with no signal of its own hears the next one."""
        mine = own[name]
        if mine.period is not None or self.knobs.power_input == "shorted":
            return mine
        for other in own.values():
            if other.period is not None:
                channel = self.spec.channel(name)
                volts = pass_through(other, channel.leaks(other.period.frequencies()))
                if channel.rectified and other.volts is not None:
                    size = np.abs(other.volts)
                    volts = volts + channel.rectified * (size - size.mean())
                return replace(mine, period=other.period, volts=volts)
        return mine
