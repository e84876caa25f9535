"""Heat: from when a bed burns, and the expansion of what beds are made of, under the names their owners use.

Coefficients of linear expansion, 1e-6 per kelvin near room temperature: W. D. Callister, *Materials Science and
Engineering*, Table B.6. A common name stands for the grade named beside it.
"""

from __future__ import annotations

HOT = 45.0
"""Bed temperature in °C from which the answer warns of burns; common practice, no source."""

EXPANSION = {
    "aluminium": 23.6e-6,  # 6061
    "aluminum": 23.6e-6,
    "aluminium 6061": 23.6e-6,
    "aluminium 2024": 22.9e-6,
    "aluminium 7075": 23.4e-6,
    "cast aluminium": 21.5e-6,  # 356.0
    "steel": 11.7e-6,  # plain carbon, A36 and 1020
    "steel 4140": 12.3e-6,
    "stainless steel": 17.2e-6,  # 304
    "stainless steel 304": 17.2e-6,
    "stainless steel 316": 15.9e-6,
    "cast iron": 11.4e-6,  # grey
    "grey iron": 11.4e-6,
    "glass": 9.0e-6,  # plate glass
    "borosilicate glass": 3.3e-6,
    "granite": 7.9e-6,
}
"""Expansion per kelvin by name, all in small letters."""


def expansion_of(material: str | None) -> float | None:
    """Return the expansion per kelvin of a material named in words, or None where the name is not in the table."""
    return None if material is None else EXPANSION.get(" ".join(material.lower().split()))
