"""Units as people write them. The record keeps the code of UCUM that a source or a mapping states."""

from collections.abc import Mapping
from typing import Final

_WRITTEN: Final[Mapping[str, str]] = {
    "Cel": "°C", "[degF]": "°F", "um": "µm", "um2": "µm²", "um3": "µm³", "mm2": "mm²", "mm3": "mm³", "m2": "m²",
    "m3": "m³", "us": "µs", "uA": "µA", "uV": "µV", "uF": "µF", "uH": "µH", "uL": "µl", "mL": "ml", "Ohm": "Ω", "kOhm": "kΩ",
    "MOhm": "MΩ", "mOhm": "mΩ", "deg": "°", "[ppm]": "ppm", "[psi]": "psi", "[in_i]": "in", "Cel/s": "°C/s",
}  # fmt: skip
"""UCUM, the Unified Code for Units of Measure, table of prefixes and units, from memory; what is not here is shown as it is."""


def unit_words(unit: str) -> str:
    """A unit for people: `Cel` is °C."""
    return _WRITTEN.get(unit, unit)
