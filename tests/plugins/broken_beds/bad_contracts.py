"""Plug-ins that import but break the contract."""

from typing import ClassVar

from tramwright_solvers.contract import Mechanism


class OldContract(Mechanism, frozen=True, tag="old-contract"):
    """Written for a contract that is no longer spoken."""

    contract: ClassVar[int] = 1


class SaysNoContract(Mechanism, frozen=True, tag="says-no-contract"):
    """Written before contracts had to be declared."""


class TakesAName(Mechanism, frozen=True, tag="three-screw"):
    """Claims the name of a built-in solver."""

    contract: ClassVar[int] = 2
