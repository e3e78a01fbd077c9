"""Shipped drivers of real families against the dialect servers: which goes with which, and opening
them over the link that the family has."""

from __future__ import annotations

import time
from collections.abc import Callable
from contextlib import ExitStack
from dataclasses import dataclass, field
from typing import Any

from dialects.agilent_34401a import Agilent34401a
from dialects.aim_tti_mx180tp import AimTtiMx180tp
from dialects.base import Dialect, served
from dialects.feeltech_fy6900 import FeeltechFy6900
from dialects.gwinstek_gpd3303s import GwInstekGpd3303s
from dialects.juntek_jds6600 import JuntekJds6600
from dialects.keithley_2700 import Keithley2700
from dialects.keysight_1000x import Keysight1000x
from dialects.keysight_33500b import Keysight33500b
from dialects.keysight_34461a import Keysight34461a
from dialects.keysight_34970a import Keysight34970a
from dialects.keysight_e3632a import KeysightE3632a
from dialects.korad_ka3005p import KoradKa3005p
from dialects.lcus_relay import LcusRelay
from dialects.manson_hcs3202 import MansonHcs3202
from dialects.owon_xdm1041 import OwonXdm1041
from dialects.rigol_dg1000z import RigolDg1000z
from dialects.rigol_dho800 import RigolDho800
from dialects.rigol_dm3058 import RigolDm3058
from dialects.rigol_dp800 import RigolDp800
from dialects.rigol_ds1000z import RigolDs1000z
from dialects.siglent_sdg1000x import SiglentSdg1000x
from dialects.siglent_sdm3055 import SiglentSdm3055
from dialects.siglent_sds1000xe import SiglentSds1000xe
from dialects.siglent_sds2000xplus import SiglentSds2000xPlus
from dialects.siglent_spd3303x import SiglentSpd3303x
from dialects.tektronix_tds2000 import TektronixTds2000
from pyvisa import ResourceManager

from seqrun.files.bench.parts import InstrumentEntry
from seqrun.files.driver.file import Driver
from seqrun.files.driver.load import load_driver
from seqrun.files.shipped import find
from seqrun.instruments.opening import open_instrument

#: driver file: its role, its dialect, and the link: "tcp", or "pty" for a serial line
FAMILIES: dict[str, tuple[str, Callable[[], Dialect], str]] = {
    "rigol-dp800": ("supply", RigolDp800, "tcp"),
    "siglent-spd3303x": ("supply", SiglentSpd3303x, "tcp"),
    "gwinstek-gpd3303s": ("supply", GwInstekGpd3303s, "pty"),
    "korad-ka3005p": ("supply", KoradKa3005p, "pty"),
    "keysight-e3632a": ("supply", KeysightE3632a, "pty"),
    "manson-hcs3202": ("supply", MansonHcs3202, "pty"),
    "aim-tti-mx180tp": ("supply", AimTtiMx180tp, "tcp"),
    "keysight-34461a": ("meter", Keysight34461a, "tcp"),
    "siglent-sdm3055": ("meter", SiglentSdm3055, "tcp"),
    "rigol-dm3058": ("meter", RigolDm3058, "tcp"),
    "owon-xdm1041": ("meter", OwonXdm1041, "pty"),
    "agilent-34401a-serial": ("meter", Agilent34401a, "pty"),
    "rigol-ds1000z": ("scope", RigolDs1000z, "tcp"),
    "rigol-dho800": ("scope", RigolDho800, "tcp"),
    "siglent-sds1000xe": ("scope", SiglentSds1000xe, "tcp"),
    "siglent-sds2000xplus": ("scope", SiglentSds2000xPlus, "tcp"),
    "tektronix-tds2000": ("scope", TektronixTds2000, "tcp"),
    "keysight-1000x": ("scope", Keysight1000x, "tcp"),
    "rigol-dg1000z": ("generator", RigolDg1000z, "tcp"),
    "siglent-sdg1000x": ("generator", SiglentSdg1000x, "tcp"),
    "keysight-33500b": ("generator", Keysight33500b, "tcp"),
    "feeltech-fy6900": ("generator", FeeltechFy6900, "pty"),
    "juntek-jds6600": ("generator", JuntekJds6600, "pty"),
    "keysight-34970a": ("switch", Keysight34970a, "tcp"),
    "keithley-2700": ("switch", Keithley2700, "tcp"),
    "lcus-relay": ("switch", LcusRelay, "pty"),
}


def shipped(name: str) -> Driver:
    """A driver by the name of its file."""
    return load_driver(find("driver", name))


def of_role(role: str) -> list[str]:
    """The families of one role."""
    return [name for name, (its, _, _) in FAMILIES.items() if its == role]


def eventually(true: Callable[[], bool], within_s: float = 60.0) -> bool:
    """Whether it becomes true: what an instrument does not acknowledge takes it a moment."""
    give_up = time.monotonic() + within_s
    while not true():
        if time.monotonic() > give_up:
            return False
        time.sleep(0.001)
    return True


@dataclass
class Opener:
    """Serves a family's dialect and opens it with its shipped driver; what was said is in log."""

    manager: ResourceManager
    stack: ExitStack
    log: list[tuple[str, str, str]] = field(default_factory=list)

    def __call__(
        self, name: str, dialect: Any = None, time_out_s: float = 0.0, **entry: Any
    ) -> tuple[Any, Any]:
        driver = shipped(name)
        if time_out_s:  # a test does not want to wait as long as a bench does
            manners = driver.link.model_copy(update={"time_out": time_out_s})
            driver = driver.model_copy(update={"link": manners})
        _, make, link = FAMILIES[name]
        dialect = make() if dialect is None else dialect
        resource = self.stack.enter_context(served(dialect, link))
        entry.setdefault("label", "bench 1, serial 0042")
        if link == "pty":  # which carries neither parity nor frames of seven bits
            entry.setdefault("line", {"data_bits": 8, "parity": "none"})
        instrument = open_instrument(
            "it",
            InstrumentEntry(resource=resource, driver=name, **entry),
            driver,
            self.manager,
            lambda *message: self.log.append(message),  # type: ignore[arg-type]
        )
        return instrument, dialect
