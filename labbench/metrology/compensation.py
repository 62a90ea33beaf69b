"""Remove what the fixture adds to an impedance: open/short, and open/short/load.

The fixture is a two-port, Zm = (A Z + B)/(C Z + D). With the short reading Zs = B/D and the open
reading Zo = A/C (elementary algebra, a cross-ratio; the equations are textbook):

    Z' = d / (1 - d/(Zo - Zs)),   d = Zm - Zs                     open/short
    Z  = Zstd (Zo - Zstdm)(Zm - Zs) / ((Zstdm - Zs)(Zo - Zm))      open/short/load = Zstd Z'm/Z'stdm

Open/short is exact for D^2 = AD - BC, that is for a reciprocal fixture (AD - BC = 1) with D = 1:
series impedance first, then stray admittance across the part. For any other linear fixture it is
off by one complex factor 1/D^2 a frequency, which is what a load standard removes. The often
printed form with 1/Zo in place of 1/(Zo - Zs) is an approximation and not used.
"""

from __future__ import annotations

__all__ = [
    "SCHEMA",
    "Compensation",
    "compensate",
    "compensation_from_json",
    "compensation_to_json",
    "load_factor",
    "open_admittance",
    "open_short",
    "require",
]

import math
from collections.abc import Mapping, Sequence
from datetime import UTC, datetime
from typing import Any, Final

import numpy as np
from attrs import field, frozen
from numpy.typing import ArrayLike, NDArray

from labbench.errors import CompensationError
from labbench.quantities import format_si

SCHEMA: Final = "compensation/1"

# Both frequencies are what the same meter read back; a part in a thousand forgives a change of
# its display and still tells 100 kHz from 120 kHz.
_SAME_POINT: Final = 1e-3

_TAKE_IT_NEW: Final = "take a new compensation: tips open, then tips on a copper strip"


@frozen(kw_only=True)
class Compensation:
    """Hold open and short readings of a fixture, raw, one a frequency (ascending), and their age.

    An open reading beyond the meter's range is None: its admittance counts as zero, with the
    uncertainty that the top of the range leaves. `u_*` are standard uncertainties of real and
    imaginary part from scatter or noise (type A); `readings` were averaged for each point.
    The load standard is optional: its raw readings, its value, its relative standard uncertainty
    (reading included).
    """

    frequency_hz: tuple[float, ...]
    open_ohm: tuple[complex | None, ...]
    short_ohm: tuple[complex, ...]
    u_open_ohm: tuple[tuple[float, float], ...]
    u_short_ohm: tuple[tuple[float, float], ...]
    readings: int
    taken_utc: str
    fixture: str
    bench: str
    load_ohm: tuple[complex, ...] | None = field(default=None)
    load_standard_ohm: tuple[complex, ...] | None = field(default=None)
    u_load_relative: float | None = field(default=None)
    #: standard uncertainty of the load's phase (rad), as a limit on its inductance leaves it
    u_load_phase: tuple[float, ...] | None = field(default=None)
    #: the short was placed so often; the contact figures are what that showed (None: the class's)
    placements: int = 1
    contact_resistance_ohm: float | None = None
    contact_inductance_h: float | None = None
    temperature_c: float | None = None

    def __attrs_post_init__(self) -> None:
        _check_shape(self)

    def index_of(self, frequency_hz: float) -> int:
        """Return which point holds this frequency; raise CompensationError where none does."""
        nearest = min(
            range(len(self.frequency_hz)),
            key=lambda i: abs(self.frequency_hz[i] - frequency_hz),
        )
        if abs(self.frequency_hz[nearest] - frequency_hz) > _SAME_POINT * frequency_hz:
            raise CompensationError(
                f"the compensation of {self.taken_utc} (fixture {self.fixture}) lacks "
                f"{format_si(frequency_hz, 'Hz')}: it holds {_frequencies(self.frequency_hz)}",
                hint=_TAKE_IT_NEW,
            )
        return nearest

    def age_s(self, now_utc: datetime) -> float:
        """Return how long ago it was taken (s); `now_utc` knows its time zone."""
        return (now_utc - _time(self.taken_utc)).total_seconds()


def open_short(raw: Any, short: Any, open_admittance: Any) -> Any:
    """Apply the exact open/short formula to numbers, arrays or uncertain numbers (ohm, S).

    `open_admittance` is 1/(Zo - Zs), zero for an open beyond the meter's range.
    """
    d = raw - short
    return d / (1.0 - d * open_admittance)


def compensate(
    z_raw: ArrayLike, compensation: Compensation, frequency_hz: ArrayLike
) -> NDArray[np.complex128]:
    """Return the impedance of the part (ohm, complex array) from raw readings at the frequencies.

    Both arrays have the same shape (n,). A reading that equals the open gives infinity. Raises
    CompensationError for a frequency that the compensation lacks.
    """
    raw = np.atleast_1d(np.asarray(z_raw, dtype=np.complex128))
    points = [compensation.index_of(float(f)) for f in np.atleast_1d(np.asarray(frequency_hz))]
    short = np.array([compensation.short_ohm[i] for i in points])
    admittance = np.array([open_admittance(compensation, i) for i in points])
    standard = np.array([load_factor(compensation, i) for i in points])
    d = raw - short
    remaining = 1.0 - d * admittance
    closed = remaining == 0.0
    z: NDArray[np.complex128] = standard * d / np.where(closed, 1.0, remaining)
    z[closed] = complex(math.inf, 0.0)
    return z


def open_admittance(compensation: Compensation, point: int) -> complex:
    """Return 1/(Zo - Zs) of a point (S), zero where the open was beyond the meter's range."""
    open_ohm = compensation.open_ohm[point]
    return 0j if open_ohm is None else 1.0 / (open_ohm - compensation.short_ohm[point])


def load_factor(compensation: Compensation, point: int) -> complex:
    """Return Zstd over the load's open/short result, 1 without a load: what the fixture leaves."""
    if compensation.load_ohm is None or compensation.load_standard_ohm is None:
        return 1.0 + 0j
    measured = open_short(
        compensation.load_ohm[point],
        compensation.short_ohm[point],
        open_admittance(compensation, point),
    )
    return complex(compensation.load_standard_ohm[point] / measured)


def require(
    compensation: Compensation | None,
    frequencies_hz: Sequence[float],
    now_utc: datetime,
    max_age_s: float,
    *,
    fixture: str | None = None,
    bench: str | None = None,
) -> Compensation:
    """Return the compensation when it will do; raise CompensationError naming all that it lacks."""
    if compensation is None:
        raise CompensationError("there is no compensation for this fixture", hint=_TAKE_IT_NEW)
    problems = []
    age = compensation.age_s(now_utc)
    if age > max_age_s:
        problems.append(f"is {_duration(age)} old, and {_duration(max_age_s)} is the limit")
    elif age < -60.0:
        problems.append(f"was taken {_duration(-age)} in the future: check the computer's clock")
    lacking = []
    for frequency in frequencies_hz:
        try:
            compensation.index_of(frequency)
        except CompensationError:
            lacking.append(frequency)
    if lacking:
        problems.append(
            f"lacks {_frequencies(lacking)} (it holds {_frequencies(compensation.frequency_hz)})"
        )
    if fixture is not None and fixture != compensation.fixture:
        problems.append(f"belongs to fixture {compensation.fixture!r}, not to {fixture!r}")
    if bench is not None and bench != compensation.bench:
        problems.append(f"belongs to bench {compensation.bench!r}, not to {bench!r}")
    if problems:
        raise CompensationError(
            f"the compensation of {compensation.taken_utc} " + "; it ".join(problems),
            hint=_TAKE_IT_NEW,
        )
    return compensation


def compensation_to_json(compensation: Compensation) -> dict[str, Any]:
    """Return plain data for a JSON file; a complex number is [real, imaginary]."""
    data: dict[str, Any] = {
        "schema": SCHEMA,
        "taken_utc": compensation.taken_utc,
        "fixture": compensation.fixture,
        "bench": compensation.bench,
        "readings": compensation.readings,
        "frequency_hz": list(compensation.frequency_hz),
        "open_ohm": [_pair(z) for z in compensation.open_ohm],
        "short_ohm": [_pair(z) for z in compensation.short_ohm],
        "u_open_ohm": [list(u) for u in compensation.u_open_ohm],
        "u_short_ohm": [list(u) for u in compensation.u_short_ohm],
    }
    if compensation.load_ohm is not None and compensation.load_standard_ohm is not None:
        data["load_ohm"] = [_pair(z) for z in compensation.load_ohm]
        data["load_standard_ohm"] = [_pair(z) for z in compensation.load_standard_ohm]
        data["u_load_relative"] = compensation.u_load_relative
        if compensation.u_load_phase is not None:
            data["u_load_phase"] = list(compensation.u_load_phase)
    if compensation.placements > 1:
        data["placements"] = compensation.placements
        data["contact_resistance_ohm"] = compensation.contact_resistance_ohm
        data["contact_inductance_h"] = compensation.contact_inductance_h
    if compensation.temperature_c is not None:
        data["temperature_c"] = compensation.temperature_c
    return data


def compensation_from_json(data: Mapping[str, Any]) -> Compensation:
    """Read what `compensation_to_json` wrote; raise CompensationError where that fails."""
    if data.get("schema") != SCHEMA:
        raise CompensationError(
            f"this is no stored compensation: its schema is {data.get('schema')!r}, not {SCHEMA!r}",
            hint=_TAKE_IT_NEW,
        )
    try:
        load = data.get("load_ohm")
        standard = data.get("load_standard_ohm")
        return Compensation(
            frequency_hz=tuple(float(f) for f in data["frequency_hz"]),
            open_ohm=tuple(None if z is None else complex(*z) for z in data["open_ohm"]),
            short_ohm=tuple(complex(*z) for z in data["short_ohm"]),
            u_open_ohm=tuple((float(r), float(i)) for r, i in data["u_open_ohm"]),
            u_short_ohm=tuple((float(r), float(i)) for r, i in data["u_short_ohm"]),
            readings=int(data["readings"]),
            taken_utc=str(data["taken_utc"]),
            fixture=str(data["fixture"]),
            bench=str(data["bench"]),
            load_ohm=None if load is None else tuple(complex(*z) for z in load),
            load_standard_ohm=None if standard is None else tuple(complex(*z) for z in standard),
            u_load_relative=data.get("u_load_relative"),
            u_load_phase=None
            if data.get("u_load_phase") is None
            else tuple(float(u) for u in data["u_load_phase"]),
            placements=int(data.get("placements", 1)),
            contact_resistance_ohm=data.get("contact_resistance_ohm"),
            contact_inductance_h=data.get("contact_inductance_h"),
            temperature_c=data.get("temperature_c"),
        )
    except (KeyError, TypeError, ValueError) as error:
        raise CompensationError(
            f"the stored compensation cannot be read: {type(error).__name__} {error}",
            hint=_TAKE_IT_NEW,
        ) from error


def _check_shape(compensation: Compensation) -> None:
    n = len(compensation.frequency_hz)
    problems = []
    per_point: dict[str, Sequence[object] | None] = {
        "open_ohm": compensation.open_ohm,
        "short_ohm": compensation.short_ohm,
        "u_open_ohm": compensation.u_open_ohm,
        "u_short_ohm": compensation.u_short_ohm,
        "load_ohm": compensation.load_ohm,
        "load_standard_ohm": compensation.load_standard_ohm,
        "u_load_phase": compensation.u_load_phase,
    }
    problems += [
        f"{name} has {len(values)} entries for {n} frequencies"
        for name, values in per_point.items()
        if values is not None and len(values) != n
    ]
    load = (
        compensation.load_ohm,
        compensation.load_standard_ohm,
        compensation.u_load_relative,
    )
    if any(part is None for part in load) and any(part is not None for part in load):
        problems.append("a load needs its readings, its value and its uncertainty")
    if n == 0:
        problems.append("no frequency")
    ascending = all(
        a < b
        for a, b in zip(compensation.frequency_hz, compensation.frequency_hz[1:], strict=False)
    )
    if not ascending or any(not 0.0 < f < math.inf for f in compensation.frequency_hz):
        problems.append("frequencies must be positive, ascending and each there once")
    numbers = [z for z in (*compensation.open_ohm, *compensation.short_ohm) if z is not None]
    if any(not (math.isfinite(z.real) and math.isfinite(z.imag)) for z in numbers):
        problems.append("a reading is not finite")
    if compensation.placements < 1:
        problems.append("no placement of the short")
    if compensation.readings < 1:
        problems.append("no reading was averaged")
    try:
        _time(compensation.taken_utc)
    except ValueError as error:
        problems.append(f"taken_utc: {error}")
    if problems:
        raise CompensationError(
            "this compensation cannot be used: " + "; ".join(problems), hint=_TAKE_IT_NEW
        )


def _time(text: str) -> datetime:
    """Read an ISO 8601 time; one without a zone is UTC."""
    time = datetime.fromisoformat(text)
    return time.replace(tzinfo=UTC) if time.tzinfo is None else time


def _pair(z: complex | None) -> list[float] | None:
    return None if z is None else [z.real, z.imag]


def _frequencies(values: Sequence[float]) -> str:
    return ", ".join(format_si(f, "Hz") for f in values)


def _duration(seconds: float) -> str:
    if seconds < 120.0:
        return f"{seconds:.0f} s"
    if seconds < 7200.0:
        return f"{seconds / 60.0:.0f} min"
    if seconds < 172800.0:
        return f"{seconds / 3600.0:.1f} h"
    return f"{seconds / 86400.0:.1f} days"
