"""Name the hookups of a coil: which instrument terminal goes to which contact of the jig.

The jig has two terminals, A and B, each with a force and a sense contact.
"""

from __future__ import annotations

__all__ = ["COIL_IMPEDANCE", "COIL_KELVIN", "COIL_SUPPLY_ALONE"]

from labbench.ports import Hookup

COIL_IMPEDANCE = Hookup(
    name="coil-impedance",
    joins={
        "impedance meter high": "A force and A sense",
        "impedance meter low": "B force and B sense",
    },
    instruments=("impedance_meter",),
)

COIL_KELVIN = Hookup(
    name="coil-kelvin",
    joins={
        "supply channel 1 plus": "A force",
        "supply channel 1 minus": "B force",
        "multimeter high": "A sense",
        "multimeter low": "B sense",
    },
    instruments=("supply", "multimeter"),
)

#: the same relays on a bench without a multimeter; a person has two leads fewer to connect
COIL_SUPPLY_ALONE = Hookup(
    name="coil-kelvin",
    joins={
        "supply channel 1 plus": "A force",
        "supply channel 1 minus": "B force",
    },
    instruments=("supply",),
)
