"""Take a compensation from open and short readings, and refuse one that cannot be right.

A wrong compensation spoils every coil after it without a sign, so it is checked when it is taken:
tips that do not touch, a part left between them, a meter whose own correction is still on, a
contact that opens and closes.
"""

from __future__ import annotations

__all__ = [
    "FixtureLimits",
    "LoadStandard",
    "check_plausible",
    "compensation_from_sweeps",
    "contact_of_placements",
    "moved_since",
    "with_load",
]

import math
import statistics
from collections.abc import Sequence

from attrs import evolve, frozen

from labbench.errors import CompensationError
from labbench.metrology.accuracy import ImpedanceAccuracy
from labbench.metrology.averaging import MeanReading, average_sweep
from labbench.metrology.compensation import Compensation, open_admittance, open_short
from labbench.metrology.estimates import coverage_factor
from labbench.metrology.impedance import contact_figures
from labbench.quantities import format_si
from labbench.results import Sweep

_SIGMAS = 4.0
_RECTANGULAR = math.sqrt(3.0)
#: fewer placements say nothing of a scatter
_LEAST_PLACEMENTS = 3
#: a load further from its value than this is another part, or does not touch
_LOAD_SHARE = 0.2


@frozen
class LoadStandard:
    """Hold a standard resistor: its value (ohm), tolerance (a limit, relative), and inductance.

    The inductance is a limit: 10 nH for a resistor of a few millimetres with its ends (common
    practice, no source).
    """

    resistance_ohm: float
    tolerance: float
    inductance_limit_h: float = 10e-9


@frozen(kw_only=True)
class FixtureLimits:
    """Hold the largest residuals that a jig or a pair of test tweezers may have.

    Common practice, no source: jigs have some 5 to 30 mohm, 10 to 50 nH and 1 to 10 pF; these
    limits leave a factor of 5. A 470 nH coil left in the jig lies above the inductance limit.
    """

    short_resistance_ohm: float = 0.2
    short_inductance_h: float = 200e-9
    open_capacitance_f: float = 50e-12
    open_conductance_s: float = 5e-6
    #: how far a short may move from reading to reading, beyond the meter's noise: like a contact
    short_scatter_contacts: float = 2.0
    #: how far an open may move from reading to reading, beyond the meter's noise
    open_scatter_f: float = 1e-12
    open_scatter_s: float = 0.5e-6


def compensation_from_sweeps(
    *,
    open_sweep: Sweep,
    short_sweep: Sweep,
    accuracy: ImpedanceAccuracy,
    taken_utc: str,
    fixture: str,
    bench: str,
    fixture_limits: FixtureLimits | None = None,
    more_short_sweeps: Sequence[Sweep] = (),
    load_sweep: Sweep | None = None,
    load: LoadStandard | None = None,
    temperature_c: float | None = None,
) -> Compensation:
    """Average open and short readings of the same frequencies into a checked compensation.

    Repeats of a frequency in a sweep are averaged. `more_short_sweeps` are the short placed anew:
    three placements and more tell what a contact of this jig is worth. `load_sweep` is the
    standard resistor `load`. Raises CompensationError, with numbers, for
    everything that is wrong: see `check_plausible`; also for different frequencies, for a short
    without a value and for readings that do not hold still.
    """
    limits = fixture_limits or FixtureLimits()
    opens = average_sweep(open_sweep, accuracy)
    shorts = average_sweep(short_sweep, accuracy)
    problems = [
        f"the {name} at {format_si(point.frequency_hz, 'Hz')} was {point.status}"
        for name, points, bad in (
            ("open", opens, ("not-measured",)),
            ("short", shorts, ("not-measured", "over-range")),
        )
        for point in points
        if point.status in bad
    ]
    problems += [line for point in shorts for line in _short_moves(point, accuracy, limits)]
    placed = [shorts]
    for number, sweep in enumerate(more_short_sweeps, start=2):
        again = average_sweep(sweep, accuracy)
        placed.append(again)
        moves = [line for point in again for line in _short_moves(point, accuracy, limits)]
        problems += [f"placement {number}: {line}" for line in moves]
        if len(again) != len(shorts) or any(point.value_ohm is None for point in again):
            problems.append(f"placement {number} of the short does not hold all its points")
    problems += [line for point in opens for line in _open_moves(point, limits)]
    open_hz = [point.frequency_hz for point in opens]
    short_hz = [point.frequency_hz for point in shorts]
    same = len(open_hz) == len(short_hz) and all(
        math.isclose(a, b, rel_tol=1e-3) for a, b in zip(open_hz, short_hz, strict=True)
    )
    if not open_hz or not same:
        problems.append(
            "open and short were not taken at the same frequencies: open "
            f"{', '.join(format_si(f, 'Hz') for f in open_hz) or 'none'}; short "
            f"{', '.join(format_si(f, 'Hz') for f in short_hz) or 'none'}"
        )
    if problems:
        raise _refused(problems)
    root = math.sqrt(len(placed))
    contact = contact_of_placements(placed) if len(placed) >= _LEAST_PLACEMENTS else None
    compensation = Compensation(
        frequency_hz=tuple(short_hz),
        open_ohm=tuple(point.value_ohm for point in opens),
        short_ohm=tuple(
            sum(_value(point) for point in points) / len(placed)
            for points in zip(*placed, strict=True)
        ),
        u_open_ohm=tuple(point.u_total_ohm for point in opens),
        u_short_ohm=tuple(
            (point.u_total_ohm[0] / root, point.u_total_ohm[1] / root) for point in shorts
        ),
        readings=min(point.readings for point in (*opens, *shorts)),
        taken_utc=taken_utc,
        fixture=fixture,
        bench=bench,
        placements=len(placed),
        contact_resistance_ohm=contact[0] if contact else None,
        contact_inductance_h=contact[1] if contact else None,
        temperature_c=temperature_c,
    )
    for number, points in enumerate(placed, start=1):
        alone = evolve(compensation, short_ohm=tuple(_value(point) for point in points))
        try:
            check_plausible(alone, accuracy, limits)
        except CompensationError as error:
            if len(placed) == 1:
                raise
            raise CompensationError(
                f"placement {number} of the short: {error.message}", hint=error.hint
            ) from error
    if load_sweep is None or load is None:
        return compensation
    return with_load(compensation, load_sweep, load, accuracy)


def contact_of_placements(placed: Sequence[Sequence[MeanReading]]) -> tuple[float, float]:
    """Return what a contact scatters from placement to placement (ohm, H), standard deviations.

    The resistance of a placement is the mean over its frequencies, its inductance the slope of the
    reactance over omega: noise averages out over the sweep, the contact does not. Few placements
    say little of a scatter: it is widened as Student's factor is (JCGM 100:2008, annex G).
    """
    ohms, henries = [], []
    for points in placed:
        omegas = [2.0 * math.pi * point.frequency_hz for point in points]
        values = [_value(point) for point in points]
        ohms.append(math.fsum(z.real for z in values) / len(values))
        henries.append(
            math.fsum(w * z.imag for w, z in zip(omegas, values, strict=True))
            / math.fsum(w * w for w in omegas)
        )
    wider = coverage_factor(len(placed) - 1.0) / coverage_factor(math.inf)
    return wider * statistics.stdev(ohms), wider * statistics.stdev(henries)


def with_load(
    compensation: Compensation, load_sweep: Sweep, load: LoadStandard, accuracy: ImpedanceAccuracy
) -> Compensation:
    """Add the readings of a standard resistor; refuse one that is not what it should be.

    Its uncertainty holds the tolerance, the gain error of its own reading (which the correction
    hands on to every part), the noise, and a phase as its inductance may have.
    """
    points = average_sweep(load_sweep, accuracy)
    if len(points) != len(compensation.frequency_hz) or any(p.value_ohm is None for p in points):
        raise _refused(["the load was not read at every frequency of open and short"])
    gains, phases, problems, raw = [], [], [], []
    for i, point in enumerate(points):
        value = _value(point)
        raw.append(value)
        seen = open_short(value, compensation.short_ohm[i], open_admittance(compensation, i))
        omega = 2.0 * math.pi * point.frequency_hz
        gain = accuracy.relative_limit(load.resistance_ohm, point.frequency_hz)
        if abs(seen - load.resistance_ohm) > _LOAD_SHARE * load.resistance_ohm:
            problems.append(
                f"the load is none: {format_si(abs(seen), 'ohm')} at "
                f"{format_si(point.frequency_hz, 'Hz')}, {format_si(load.resistance_ohm, 'ohm')} "
                "is expected: is it the right resistor, and do the tips touch its ends?"
            )
        noise = max(point.u_ohm) / load.resistance_ohm
        gains.append(math.hypot(load.tolerance / _RECTANGULAR, gain / _RECTANGULAR, noise))
        phase = omega * load.inductance_limit_h / load.resistance_ohm
        phases.append(math.hypot(phase / _RECTANGULAR, gain / _RECTANGULAR, noise))
    if problems:
        raise _refused(problems)
    return evolve(
        compensation, load_ohm=tuple(raw),
        load_standard_ohm=(complex(load.resistance_ohm),) * len(points),
        u_load_relative=max(gains), u_load_phase=tuple(phases),
    )  # fmt: skip


def moved_since(
    before: Compensation, now: Compensation, accuracy: ImpedanceAccuracy
) -> tuple[str, ...]:
    """Return a sentence for each residual that moved by more than contacts and noise explain.

    A cable that was changed, a tip that came loose, a jig that was bent: what was measured since
    the earlier one may be wrong. Compensations of different fixtures are not compared.
    """
    if before.fixture != now.fixture:
        return ()
    contact_ohm, contact_h = contact_figures(now, accuracy)
    worst: dict[str, tuple[float, str]] = {}
    for i, frequency_hz in enumerate(now.frequency_hz):
        try:
            j = before.index_of(frequency_hz)
        except CompensationError:
            continue
        omega = 2.0 * math.pi * frequency_hz
        step = now.short_ohm[i] - before.short_ohm[j]
        noise = math.hypot(max(now.u_short_ohm[i]), max(before.u_short_ohm[j]))
        first, later = before.open_ohm[j], now.open_ohm[i]
        looks = [
            ("resistance of the short", abs(step.real), contact_ohm, noise, "ohm"),
            ("inductance of the short", abs(step.imag) / omega, contact_h, noise / omega, "H"),
        ]
        if first is not None and later is not None:
            u = max(now.u_open_ohm[i]) / abs(later) ** 2 / omega
            relative = accuracy.relative_limit(abs(later), frequency_hz) / abs(later) / omega
            moved_f = abs((1.0 / later).imag - (1.0 / first).imag) / omega
            scatter_f = accuracy.stray_capacitance_f + relative
            looks.append(("capacitance of the open", moved_f, scatter_f, u, "F"))
        for what, moved, scatter, u, unit in looks:
            bound = _SIGMAS * math.hypot(math.sqrt(2.0) * scatter, u)
            if moved > bound and moved / bound > worst.get(what, (1.0, ""))[0]:
                worst[what] = (
                    moved / bound,
                    f"the {what} moved by {format_si(moved, unit, 2)} at "
                    f"{format_si(frequency_hz, 'Hz')} since {before.taken_utc}, where contacts "
                    f"and noise explain {format_si(bound, unit, 2)}: was the cable or the jig "
                    "changed?",
                )
    return tuple(text for _, text in worst.values())


def check_plausible(
    compensation: Compensation,
    accuracy: ImpedanceAccuracy,
    fixture_limits: FixtureLimits | None = None,
) -> None:
    """Raise CompensationError, with numbers, for a short that is none, an open that is none, ...

    ... a negative resistance of the short (the meter's own correction is still on), or readings
    that did not hold still. All points and all problems are named at once.
    """
    limits = fixture_limits or FixtureLimits()
    problems = []
    for i in range(len(compensation.frequency_hz)):
        problems += _short_problems(compensation, i, accuracy, limits)
        problems += _open_problems(compensation, i, accuracy, limits)
    if problems:
        raise _refused(problems)


def _short_moves(
    point: MeanReading, accuracy: ImpedanceAccuracy, limits: FixtureLimits
) -> list[str]:
    """Name scatter of a short that is more than the meter's noise and a moving contact."""
    if point.status == "unstable" and max(point.scatter_ohm) == 0.0:
        at = format_si(point.frequency_hz, "Hz")
        return [f"the short does not hold still: it is now in range and now over it at {at}"]
    omega = 2.0 * math.pi * point.frequency_hz
    contacts = limits.short_scatter_contacts
    bounds = (
        max(contacts * accuracy.contact_resistance_ohm, _SIGMAS * point.noise_ohm),
        max(contacts * omega * accuracy.contact_inductance_h, _SIGMAS * point.noise_ohm),
    )
    return [
        f"the {part} of the short does not hold still: it scatters by {format_si(s, 'ohm')} at "
        f"{format_si(point.frequency_hz, 'Hz')}, {format_si(bound, 'ohm')} is the limit"
        for part, s, bound in zip(
            ("resistance", "reactance"), point.scatter_ohm, bounds, strict=True
        )
        if s > bound
    ]


def _open_moves(point: MeanReading, limits: FixtureLimits) -> list[str]:
    """Name scatter of an open that is more than the meter's noise and moving tips."""
    if point.value_ohm is None and point.status != "unstable":
        return []
    at = format_si(point.frequency_hz, "Hz")
    if point.value_ohm is None:
        seen = max(point.scatter_ohm)
        how = f"scatters by {format_si(seen, 'ohm')}" if seen else "is now in range and now over it"
        return [f"the open does not hold still: it {how} at {at}"]
    square = abs(point.value_ohm) ** 2
    scatter_s = max(point.scatter_ohm) / square
    bound_s = max(
        2.0 * math.pi * point.frequency_hz * limits.open_scatter_f + limits.open_scatter_s,
        _SIGMAS * point.noise_ohm / square,
    )
    if scatter_s <= bound_s:
        return []
    return [
        f"the open does not hold still: it scatters by {scatter_s * 1e6:.2g} µS at {at}, "
        f"{bound_s * 1e6:.2g} µS is the limit"
    ]


def _short_problems(
    compensation: Compensation, i: int, accuracy: ImpedanceAccuracy, limits: FixtureLimits
) -> list[str]:
    frequency_hz = compensation.frequency_hz[i]
    omega = 2.0 * math.pi * frequency_hz
    at = format_si(frequency_hz, "Hz")
    z = compensation.short_ohm[i]
    root = math.sqrt(compensation.readings)
    scatter = [u * root for u in compensation.u_short_ohm[i]]
    doubt_r = _SIGMAS * (accuracy.contact_resistance_ohm + scatter[0])
    doubt_x = _SIGMAS * (omega * accuracy.contact_inductance_h + scatter[1])
    problems = []
    if z.real > limits.short_resistance_ohm + doubt_r:
        problems.append(
            f"the short is none: {format_si(z.real, 'ohm')} at {at}, at most "
            f"{format_si(limits.short_resistance_ohm, 'ohm')} is expected: do the tips touch the "
            "copper?"
        )
    elif z.real < -(accuracy.floor_resistance_ohm + doubt_r):
        problems.append(
            f"the short has {format_si(z.real, 'ohm')} at {at}: is the meter's own correction "
            "still on?"
        )
    if abs(z.imag) > omega * limits.short_inductance_h + doubt_x:
        problems.append(
            f"the short is none: {format_si(z.imag / omega, 'H')} at {at}, at most "
            f"{format_si(limits.short_inductance_h, 'H')} is expected: is a part in the jig?"
        )
    return problems


def _open_problems(
    compensation: Compensation, i: int, accuracy: ImpedanceAccuracy, limits: FixtureLimits
) -> list[str]:
    z = compensation.open_ohm[i]
    if z is None:
        return []
    frequency_hz = compensation.frequency_hz[i]
    omega = 2.0 * math.pi * frequency_hz
    at = format_si(frequency_hz, "Hz")
    if abs(z) == 0.0:
        return [f"the open is none: 0 ohm at {at}"]
    y = 1.0 / z
    root = math.sqrt(compensation.readings)
    scatter = max(compensation.u_open_ohm[i]) * root * abs(y) ** 2
    relative = accuracy.relative_limit(abs(z), frequency_hz)
    doubt = _SIGMAS * scatter + relative * abs(y)
    leaks = abs(y.real) > limits.open_conductance_s + doubt
    shunted = abs(y.imag) > omega * limits.open_capacitance_f + doubt
    # one line a point: the larger part of the admittance says what it looks like
    if leaks and (not shunted or abs(y.real) > abs(y.imag)):
        return [
            f"the open is none: {format_si(abs(1.0 / y.real), 'ohm')} across the tips at {at}, at "
            f"least {format_si(1.0 / limits.open_conductance_s, 'ohm')} is expected: are the tips "
            "free, and the fingers off them?"
        ]
    if shunted:
        seen = (
            f"{format_si(y.imag / omega, 'F')}"
            if y.imag > 0.0
            else f"an inductance of {format_si(-1.0 / (omega * y.imag), 'H')}"
        )
        return [
            f"the open is none: {seen} across the tips at {at}, at most "
            f"{format_si(limits.open_capacitance_f, 'F')} is expected: is a part in the jig?"
        ]
    return []


def _value(point: MeanReading) -> complex:
    if point.value_ohm is None:  # such points were refused before
        raise AssertionError(point)
    return point.value_ohm


def _refused(problems: list[str]) -> CompensationError:
    return CompensationError(
        "the compensation was not taken:\n" + "\n".join(f"  {line}" for line in problems),
        hint="hold the tips still, open and then on a bare copper strip, and take it again",
    )
