"""Hold a bench whose instruments are open: the file, the clock, the roles that it has."""

from __future__ import annotations

__all__ = ["OpenBench"]

from collections.abc import Iterator, Mapping

from attrs import field, frozen

from labbench.bench.bench_file import BenchFile
from labbench.errors import LabbenchError
from labbench.ports import (
    Clock,
    Identity,
    ImpedanceMeter,
    Instrument,
    Multimeter,
    Supply,
    Switch,
)


@frozen
class OpenBench:
    """Hold open instruments; a role that the bench lacks is None."""

    file: BenchFile
    clock: Clock
    impedance_meter: ImpedanceMeter | None = None
    supply: Supply | None = None
    multimeter: Multimeter | None = None
    switch: Switch | None = None
    identities: Mapping[str, Identity] = field(factory=dict)
    #: why a role of the file could not be opened; empty unless the opener was told to go on
    unreachable: Mapping[str, LabbenchError] = field(factory=dict)

    def instruments(self) -> Iterator[tuple[str, Instrument]]:
        """Yield role and instrument, the supply first: it is the one that matters when in doubt."""
        for role in ("supply", "impedance_meter", "multimeter", "switch"):
            instrument: Instrument | None = getattr(self, role)
            if instrument is not None:
                yield role, instrument

    @property
    def simulated(self) -> bool:
        """Tell whether a simulator stands behind the addresses."""
        return self.file.simulation is not None
