"""Find what can be reached: serial ports at once, the network only when a person asks for it."""

from __future__ import annotations

__all__ = ["Found", "scan_network", "serial_ports"]

import contextlib
import warnings

from attrs import frozen

from drivers.transport import LOWER_ERRORS, visa_manager


@frozen
class Found:
    """Hold an address and what the system says of it."""

    resource: str
    description: str = ""


def serial_ports() -> list[Found]:
    """List the serial ports of this computer; opens none and sends nothing."""
    from serial.tools import list_ports

    return [
        Found(f"ASRL{port.device}::INSTR", str(port.description or ""))
        for port in sorted(list_ports.comports(), key=lambda port: str(port.device))
    ]


def scan_network() -> list[Found]:
    """Ask the network who is there; only on a person's explicit wish.

    It takes some seconds, sends broadcasts on every interface, and pyvisa-py (0.8.1) leaves
    sockets of it to the garbage collector. Raises nothing: what cannot be asked is not found.
    """
    with warnings.catch_warnings(), contextlib.suppress(*LOWER_ERRORS):
        warnings.simplefilter("ignore", ResourceWarning)
        return [
            Found(resource)
            for resource in visa_manager().list_resources("?*::INSTR")
            if not resource.startswith("ASRL")
        ]
    return []
