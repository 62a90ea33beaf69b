"""Serve an interpreter by the kind of link that is asked for."""

from __future__ import annotations

from sim.link_faults import FaultSchedule
from sim.links.base import LinkServer
from sim.links.hislip import HislipServer
from sim.links.kinds import KINDS
from sim.links.serial_pty import SerialPtyServer
from sim.links.serial_socket import SerialSocketServer
from sim.scpi.interpreter import Interpreter
from sim.server import InstrumentServer


def serve(
    kind: str,
    interpreter: Interpreter,
    *,
    port: int | None = None,
    faults: FaultSchedule | None = None,
) -> LinkServer:
    """Start a server of this kind, on any free port if none is given.

    Raises ValueError for a kind that does not exist, a fault that the kind cannot have, or a port
    where it has none; OSError where the port is taken.
    """
    match kind:
        case "socket":
            return InstrumentServer(interpreter, port=port or 0, faults=faults)
        case "hislip":
            return HislipServer(interpreter, port=port or 0, faults=faults)
        case "serial-socket":
            return SerialSocketServer(interpreter, port=port or 0, faults=faults)
        case "serial-pty":
            if port is not None:
                raise ValueError(f"a link of kind {kind} has no port, {port} was given")
            return SerialPtyServer(interpreter, faults=faults)
        case _:
            raise ValueError(f"there is no link of kind {kind!r}; known: {', '.join(KINDS)}")
