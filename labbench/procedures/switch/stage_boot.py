"""Empty the bootstrap capacitor of a stage before anything is re-tied."""

from __future__ import annotations

__all__ = ["empty_boot"]

from labbench.bench.bench import Bench
from labbench.procedures.switch.hookups import hookup

#: 1 kohm and 1 µF: a millisecond; by hand the driver's own bias has to do it (some 50 µA, less near
#: the end)
_BLEED_S, _BY_ITSELF_S = 0.05, 3.0


def empty_boot(bench: Bench) -> None:
    """Close 1 kohm from boot to sw beside what is joined; by hand wait instead.

    No meter sees this capacitor, and 5 V on it would go through whatever ties boot to sw next.
    """
    joined = bench.joined.hookup
    if bench.by_person or joined is None:
        bench.settle(_BY_ITSELF_S)
        return
    bench.connect(hookup(f"{joined.name}-bleed", with_multimeter=bench.multimeter is not None))
    bench.settle(_BLEED_S)
