"""Plug-ins that import but break the contract."""

from typing import ClassVar

from tramwright_solvers.contract import Mechanism


class OldContract(Mechanism, frozen=True, tag="old-contract"):
    """Written for a contract that is no longer spoken."""

    contract: ClassVar[int] = 0


class TakesAName(Mechanism, frozen=True, tag="three-screw"):
    """Claims the name of a built-in solver."""
