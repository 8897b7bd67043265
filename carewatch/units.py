"""Conversions between metric (inside) and what people read. Imports nothing of ours."""

from __future__ import annotations

ZERO_C_IN_K = 273.15
LITRES_PER_US_GALLON = 3.785411784  # exact: 231 cubic inches
KPA_PER_PSI = 6.894757293168361  # exact from the pound and the inch
METRES_PER_FOOT = 0.3048  # exact
MPS_PER_MPH = 0.44704  # exact
KMH_PER_MPS = 3.6


def f_to_c(temperature_f: float) -> float:
    """Degrees Celsius from degrees Fahrenheit."""
    return (temperature_f - 32.0) / 1.8


def c_to_f(temperature_c: float) -> float:
    """Degrees Fahrenheit from degrees Celsius."""
    return temperature_c * 1.8 + 32.0


def c_to_f_difference(difference_c: float) -> float:
    """A temperature difference in °F from one in °C."""
    return difference_c * 1.8


def gallons_to_l(gallons: float) -> float:
    """Litres from US gallons."""
    return gallons * LITRES_PER_US_GALLON


def l_to_gallons(litres: float) -> float:
    """US gallons from litres."""
    return litres / LITRES_PER_US_GALLON


def psi_to_kpa(psi: float) -> float:
    """Kilopascals from pounds per square inch."""
    return psi * KPA_PER_PSI


def kpa_to_psi(kpa: float) -> float:
    """Pounds per square inch from kilopascals."""
    return kpa / KPA_PER_PSI
