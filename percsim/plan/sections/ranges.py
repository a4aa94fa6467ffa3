"""Ranges that keys of several sections share."""

from percsim.plan.readers import Quantity

__all__ = ["ALONG_FILM", "CONDUCTANCE", "CURE", "MIX_RATIO", "STRAIN", "VOLTAGE"]

MIX_RATIO = Quantity("ratio", "1:1", "100:1")
ALONG_FILM = Quantity("length", "1 um", "10000 mm")
CURE = Quantity("temperature", "0 C", "250 C")
CONDUCTANCE = Quantity("conductance", "1 pS", "1000 S")
VOLTAGE = Quantity("voltage", "0.001 V", "1000 V")
STRAIN = Quantity("strain", "-200000 microstrain", "1000000 microstrain")
