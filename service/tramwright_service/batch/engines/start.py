"""The engine of a name: worker processes on this host, or a cluster."""

from __future__ import annotations

from tramwright_solvers.correction.cost import Most

from ...execution.plug_ins.hosts import PlugIns
from ..answerer import USUAL
from .base import Engine

LOCAL = "local"

CLUSTER = "dask://"


async def start(where: str, workers: int, plug_ins: PlugIns, cache: int, most: Most = USUAL) -> Engine:
    """Return the engine of this name: `local`, or `dask://host:port`; a line may take as much as ``most`` says.

    What a cluster's workers may take is usual for all; each has processes of its own for plug-ins.

    ``cache`` is how many bytes of prepared geometries each process on this host keeps.

    Raises:
        ValueError: there is no such engine, or what it needs is not installed; the message says what to do.
        EngineLost: nothing answers at that address.
    """
    if where == LOCAL:
        from .local import LocalEngine

        return LocalEngine(workers, plug_ins.registry, cache, most, plug_ins)
    if where.startswith(CLUSTER):
        try:
            from .dask import DaskEngine
        except ImportError:
            raise ValueError(
                f"`{CLUSTER}` needs the extra `cluster`: install `tramwright[cluster]` here and on every worker."
            ) from None
        return await DaskEngine.at(where.removeprefix(CLUSTER), plug_ins.registry)
    raise ValueError(f"There is no engine `{where}`; give `{LOCAL}`, or `{CLUSTER}host:port` of a dask scheduler.")
