"""Tell what kind of link a VISA resource means, and which one to use where there are several."""

from __future__ import annotations

__all__ = ["KINDS", "LinkKind", "Offer", "kind_of", "parsed_resource", "prefer"]

from collections.abc import Iterable
from typing import Literal

from attrs import frozen
from pyvisa import rname

from labbench.errors import InputError

LinkKind = Literal["hislip", "socket", "serial", "usbtmc", "vxi-11"]

#: best first, each with why it stands there
KINDS: dict[LinkKind, str] = {
    "hislip": "HiSLIP: every reply carries the number of its question, so an old answer is never "
    "taken for a new one, and a device clear ends what hangs",
    "socket": "raw socket: tried; a late answer is only got rid of by connecting anew",
    "serial": "serial line: tried over pseudo-terminals and TCP; a late answer is only got rid of "
    "by waiting",
    "usbtmc": "USBTMC: untried here; support through pyvisa, with the pyusb library",
    "vxi-11": "VXI-11: untried here; support through pyvisa",
}
_HOW = (
    "a socket is written TCPIP::ADDRESS::PORT::SOCKET, such as TCPIP::192.168.1.20::5025::SOCKET; "
    "HiSLIP TCPIP::ADDRESS::hislip0::INSTR; a serial port ASRL/dev/ttyUSB0::INSTR"
)


@frozen
class Offer:
    """Hold one way to reach an instrument: its resource, kind, and what speaks for or against."""

    resource: str
    kind: LinkKind
    why: str


def parsed_resource(resource: str) -> tuple[LinkKind, rname.ResourceName]:
    """Read a VISA resource string; raise InputError for none and for a link that is not served."""
    try:
        # pyvisa takes the resource class in capitals only
        head, found, tail = resource.strip().rpartition("::")
        parsed = rname.ResourceName.from_string(f"{head}{found}{tail.upper()}")
    except rname.InvalidResourceName as error:
        raise InputError(f"{resource!r} is no VISA resource: {error}", hint=_HOW) from None
    match parsed:
        case rname.TCPIPSocket():
            return "socket", parsed
        case rname.TCPIPInstr(lan_device_name=device):
            return "hislip" if device.lower().startswith("hislip") else "vxi-11", parsed
        case rname.ASRLInstr():
            return "serial", parsed
        case rname.USBInstr():
            return "usbtmc", parsed
        case _:
            raise InputError(
                f"{resource!r}: this kind of link ({parsed.interface_type} "
                f"{parsed.resource_class}) cannot be used",
                hint=f"most instruments have another one: {_HOW}",
            )


def kind_of(resource: str) -> LinkKind:
    """Tell the kind of link that a VISA resource means; raise InputError."""
    return parsed_resource(resource)[0]


def prefer(resources: Iterable[str]) -> tuple[Offer, ...]:
    """Order the ways to reach one instrument, best first, each with its reason.

    HiSLIP before sockets before serial lines before what nobody could try here. The order given
    decides between two of one kind. Raises InputError for what is no resource.
    """
    order = list(KINDS)
    offers = [Offer(each, kind, KINDS[kind]) for each in resources for kind in (kind_of(each),)]
    return tuple(sorted(offers, key=lambda offer: order.index(offer.kind)))
