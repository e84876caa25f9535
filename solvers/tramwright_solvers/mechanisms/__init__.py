"""The built-in mechanisms, in the order in which they are listed."""

from .rail_shim import RailShim
from .three_screw import ThreeScrew

BUILT_IN = (ThreeScrew, RailShim)
