"""Name the hookups of a coil: which instrument terminal goes to which contact of the jig.

The jig has two terminals, A and B, each with a force and a sense contact; it may have a third
probe for the core.
"""

from __future__ import annotations

__all__ = [
    "COIL_BIAS",
    "COIL_IMPEDANCE",
    "COIL_INSULATION",
    "COIL_KELVIN",
    "COIL_SUPPLY_ALONE",
]

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

#: direct current through the network's choke; the meter behind its capacitors, never beside them
COIL_BIAS = Hookup(
    name="coil-bias",
    joins={
        "supply channel 1 plus": "bias network, choke",
        "supply channel 1 minus": "bias network, return",
        "impedance meter high": "bias network, capacitor A",
        "impedance meter low": "bias network, capacitor B",
        "bias network, output A": "A force and A sense",
        "bias network, output B": "B force and B sense",
    },
    instruments=("supply", "impedance_meter"),
)

#: a third probe touches the core; 1 Mohm between it and the supply, the multimeter across that
COIL_INSULATION = Hookup(
    name="coil-insulation",
    joins={
        "supply channel 1 plus": "1 MΩ, first end",
        "1 MΩ, second end": "core probe",
        "supply channel 1 minus": "B force",
        "multimeter high": "1 MΩ, first end",
        "multimeter low": "1 MΩ, second end",
    },
    instruments=("supply", "multimeter"),
)
