"""Let the readings so far choose the next frequency of a sweep."""

from __future__ import annotations

__all__ = ["adaptive_points", "expected_meter"]

import math
from collections.abc import Callable, Sequence

from attrs import evolve

from labbench.errors import CompensationError, InputError
from labbench.judging.coil_lot_book import LotBook
from labbench.judging.next_frequency import ExpectedMeter, first_frequency, next_frequency
from labbench.metrology.accuracy import ImpedanceAccuracy
from labbench.parts.coil_type import CoilType
from labbench.results import Contact, Impedance, Readings, Sweep

_ROOT_3 = math.sqrt(3.0)


def expected_meter(accuracy: ImpedanceAccuracy, aperture_s: float) -> ExpectedMeter:
    """Return what a compensated reading of this class will be known with, before it is taken."""

    def meter(size_ohm: float, frequency_hz: float) -> tuple[float, float]:
        omega = 2.0 * math.pi * frequency_hz
        gain = accuracy.relative_limit(size_ohm, frequency_hz) / _ROOT_3 * size_ohm
        noise = accuracy.noise_ohm(size_ohm, aperture_s)
        floors = accuracy.floor_resistance_ohm, omega * accuracy.floor_inductance_h
        contacts = accuracy.contact_resistance_ohm, omega * accuracy.contact_inductance_h
        u_r, u_x = (
            math.hypot(gain, noise, floor / _ROOT_3, math.sqrt(2.0) * contact)
            for floor, contact in zip(floors, contacts, strict=True)
        )
        return u_r, u_x

    return meter


def adaptive_points(
    part: CoilType,
    candidates_hz: Sequence[float],
    blocks: Callable[[Sweep], tuple[Impedance, Contact]],
    meter: ExpectedMeter,
    contact: Contact,
    like: Readings,
    *,
    siblings: Sequence[Readings] = (),
    risk: float,
    false_reject: float,
) -> tuple[float, Callable[[Sweep], float | None]]:
    """Return the first frequency (Hz) and the function that chooses each next one, None at the end.

    `blocks` compensates what was read so far, `like` holds specimen, lot and session. What cannot
    be compensated ends the choice.
    """
    book = LotBook()

    def next_point(sweep: Sweep) -> float | None:
        try:
            impedance, placed = blocks(sweep)
        except (CompensationError, InputError):
            return None
        readings = evolve(like, impedance=impedance, contact=placed)
        return next_frequency(
            readings, part, candidates_hz, meter, siblings=siblings, risk=risk,
            false_reject=false_reject, book=book,
        )  # fmt: skip

    return first_frequency(part, candidates_hz, meter, contact), next_point
