"""From when a bed burns, and the expansion and elasticity of what beds are made of, under the names their owners use.

Coefficients of linear expansion, 1e-6 per kelvin near room temperature: W. D. Callister, *Materials Science and
Engineering*, Table B.6. A common name stands for the grade named beside it.
"""

from __future__ import annotations

from msgspec import Struct

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


class Elasticity(Struct, frozen=True):
    """Young's modulus in GPa and Poisson's ratio."""

    youngs_modulus: float
    poissons_ratio: float


ALUMINIUM = Elasticity(70.0, 0.3)  # EN 1999-1-1:2007, 3.2.5, from memory: 70 000 N/mm² for wrought and cast alloys
STEEL = Elasticity(210.0, 0.3)  # EN 1993-1-1:2005, 3.2.6, from memory: 210 000 N/mm²
AUSTENITIC = Elasticity(200.0, 0.3)  # EN 1993-1-4:2006, 2.1.3, from memory: 200 000 N/mm²

ELASTICITY = {
    "aluminium": ALUMINIUM,
    "aluminum": ALUMINIUM,
    "aluminium 6061": ALUMINIUM,
    "cast aluminium": ALUMINIUM,
    "steel": STEEL,
    "stainless steel": AUSTENITIC,
    "stainless steel 304": AUSTENITIC,
    "stainless steel 316": AUSTENITIC,
}
"""Elasticity by name, all in small letters. What breaks without warning when it is bent, as glass, stone and cast
iron do, is left out on purpose: a plan that bends it needs its numbers from whoever answers for them."""


def expansion_of(material: str | None) -> float | None:
    """Return the expansion per kelvin of a material named in words, or None where the name is not in the table."""
    return None if material is None else EXPANSION.get(_plain(material))


def elasticity_of(material: str | None) -> Elasticity | None:
    """Return the elasticity of a material named in words, or None where the name is not in the table."""
    return None if material is None else ELASTICITY.get(_plain(material))


def _plain(name: str) -> str:
    return " ".join(name.lower().split())
