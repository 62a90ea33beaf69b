"""What the instruments of the virtual bench do, apart from how they are spoken to."""

from sim.instruments.errors import SettingError
from sim.instruments.impedance_meter import ImpedanceMeter, ImpedanceResult
from sim.instruments.multimeter import Multimeter
from sim.instruments.relay_switch import RelaySwitch
from sim.instruments.supply import Supply

__all__ = [
    "ImpedanceMeter",
    "ImpedanceResult",
    "Multimeter",
    "RelaySwitch",
    "SettingError",
    "Supply",
]
