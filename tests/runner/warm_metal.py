"""Metal that is warm as a unit is put on the bench, and a drift that is counted from cold."""

from __future__ import annotations

from typing import Any

import numpy as np
from pytest_mock import MockerFixture

from demo_sim.heat import Heat

#: of one device, cold to hot
DRIFT = """
[[step]]
id = "drift"
do = "idle_drift"
of = "hot"
against = "cold"
limit = { between = ["-0.6 * idle_current", "0.6 * idle_current"] }
"""


def put_warm(mocker: MockerFixture, rise_k: float) -> None:
    """The unit is put on the bench with its metal as warm as that, K over the room."""

    def heat(network: Any) -> Heat:
        return Heat(network, np.full(len(network.names), rise_k))

    mocker.patch("demo_sim.powered.Heat", heat)
