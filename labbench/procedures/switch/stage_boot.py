"""Empty the bootstrap capacitor of a stage before anything is re-tied."""

from __future__ import annotations

__all__ = ["boot_emptied"]

from collections.abc import Iterator
from contextlib import contextmanager

from labbench.bench.bench import Bench
from labbench.procedures.switch.hookups import hookup

#: 1 kohm and 1 µF: a millisecond; without it the driver's own bias has to do it (some 50 µA, less
#: near the end: some 27 mV were left after 3 s)
_BLEED_S, _BY_ITSELF_S = 0.05, 5.0


@contextmanager
def boot_emptied(bench: Bench) -> Iterator[None]:
    """Feed the driver inside the block; leave it with the bootstrap capacitor empty.

    No meter sees this capacitor, and 5 V on it would go through whatever ties boot to sw next.
    Relays close 1 kohm from boot to sw beside what is joined; a hand waits instead. After an error
    or a stop it is waited out too, with the output off: nothing may move before.
    """
    try:
        yield
        joined = bench.joined.hookup
        if bench.by_person or joined is None:
            bench.settle(_BY_ITSELF_S)
            return
        # what is joined is asked for its voltage first: that too may fail, before the relays move
        bench.connect(hookup(f"{joined.name}-bleed", with_multimeter=bench.multimeter is not None))
        bench.settle(_BLEED_S)
    except BaseException:
        bench.clock.sleep_s(_BY_ITSELF_S)
        raise
