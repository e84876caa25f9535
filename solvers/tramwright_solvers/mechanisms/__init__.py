"""The built-in mechanisms, in the order in which they are listed."""

from .four_screw import FourScrew
from .kinematic import Kinematic
from .many_screw import ManyScrew
from .rail_shim import RailShim
from .three_screw import ThreeScrew

BUILT_IN = (ThreeScrew, FourScrew, ManyScrew, Kinematic, RailShim)

__all__ = ["BUILT_IN", "FourScrew", "Kinematic", "ManyScrew", "RailShim", "ThreeScrew"]
