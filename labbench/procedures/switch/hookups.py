"""Name the hookups of switches, stages and rails: what goes to which terminal, through what.

A join is written as it is made: `supply 1 plus > 100k > D`. Of a p-channel part plus and minus
change places and the name ends in `-p`; the stage and the rail have no such variant.
"""

from __future__ import annotations

__all__ = ["HOOKUPS", "METER_OHM", "SERIES_OHM", "draw", "hookup", "joins_of", "series_ohm_of"]

from collections.abc import Mapping
from typing import Final

from labbench.errors import InputError
from labbench.files import nearest
from labbench.ports import Hookup
from labbench.procedures.switch.board_hookups import BOARD_HOOKUPS
from labbench.procedures.switch.drawings import draw_joins

#: input resistance of a multimeter's volts ranges (common practice, no source)
METER_OHM: Final = 10e6

#: how a series resistor is written in a join (ohm)
SERIES_OHM: Final[Mapping[str, float]] = {
    "4.7": 4.7, "22": 22.0, "100": 100.0, "430": 430.0, "1k": 1e3, "3k": 3e3, "4.3k": 4.3e3,
    "10k": 10e3, "100k": 100e3, "1M": 1e6,
}  # fmt: skip

_INPUTS_LOW = "tie VDRV EN PWM PGND"
_SECOND_DRIVE = ("supply 2 plus > 22 > VDRV", "supply 2 minus > PGND")
_PLUS, _MINUS = "supply 1 plus", "supply 1 minus"


def _through(series: str, high: str, low: str, *more: str) -> tuple[str, ...]:
    """Join channel 1 through a resistor, with the multimeter across that."""
    return (
        f"{_PLUS} > {series} > {high}", f"{_MINUS} > {low}", *more, f"multimeter > across {series}",
    )  # fmt: skip


def _direct(high: str, low: str, *more: str) -> tuple[str, ...]:
    """Join channel 1 to the part, with the multimeter on the part's own leads."""
    return f"{_PLUS} > {high}", f"{_MINUS} > {low}", *more, f"multimeter > {high} {low}"


def _drive(*inputs: str) -> tuple[str, ...]:
    """Drive a stage through 22 ohm with its power path tied together."""
    return _through("22", "VDRV", "PGND", "tie VIN SW PGND", *inputs)


_FET: Final[dict[str, tuple[str, ...]]] = {
    "fet-short-ds": _through("100", "D", "S", "tie G S"),
    "fet-short-sd": _through("100", "S", "D", "tie G S"),
    "fet-short-gs": _through("100", "G", "S", "tie D S"),
    "fet-short-gd": _through("100", "G", "D", "tie S D"),
    "fet-grade-ds": _direct("D", "S", "tie G S"),
    "fet-grade-gs": _direct("G", "S", "tie D S"),
    "fet-grade-gd": _direct("G", "D", "tie S D"),
    "fet-gate-plus": (f"{_PLUS} > multimeter > G", f"{_MINUS} > S", "tie D S"),
    "fet-gate-minus": (f"{_PLUS} > multimeter > S", f"{_MINUS} > G", "tie D S"),
    "fet-gate-plus-1M": _through("1M", "G", "S", "tie D S"),
    "fet-gate-minus-1M": _through("1M", "S", "G", "tie D S"),
    "fet-drain-1k": _through("1k", "D", "S", "tie G S"),
    "fet-drain-10k": _through("10k", "D", "S", "tie G S"),
    "fet-drain-100k": _through("100k", "D", "S", "tie G S"),
    "fet-drain-1M": _through("1M", "D", "S", "tie G S"),
    "fet-drain-meter": (f"{_PLUS} > multimeter > D", f"{_MINUS} > S", "tie G S"),
    "fet-diode-4k3": (
        f"{_PLUS} > 4.3k > S", f"{_MINUS} > D", "tie G S", "multimeter > S D",
    ),
    "fet-diode-22": (f"{_PLUS} > 22 > S", f"{_MINUS} > D", "tie G S", "multimeter > S D"),
    "fet-diode-direct": _direct("S", "D", "tie G S"),
    "fet-threshold-10k": _through("10k", "D", "S", "tie G D"),
    "fet-threshold-3k": _through("3k", "D", "S", "tie G D"),
    "fet-threshold-10k-volts": (
        f"{_PLUS} > 10k > D", f"{_MINUS} > S", "tie G D", "multimeter > D S",
    ),
    "fet-threshold-3k-volts": (
        f"{_PLUS} > 3k > D", f"{_MINUS} > S", "tie G D", "multimeter > D S",
    ),
    "fet-on": (
        f"{_PLUS} > D", f"{_MINUS} > S", "supply 2 plus > 1k > G", "supply 2 minus > S",
        "multimeter > D' S'",
    ),
    "fet-on-one": (
        f"{_PLUS} > 4.7 > D", f"{_PLUS} > 1k > G", f"{_MINUS} > S", "multimeter > D' S'",
    ),
    # both channels in series, the gate at the source
    **{
        f"fet-breakdown-{ohm}": (
            f"{_PLUS} > {ohm} > D", f"{_MINUS} > supply 2 plus", "supply 2 minus > S", "tie G S",
            "multimeter > D' S'",
        )
        for ohm in ("10k", "100k")
    },
    # both contacts of one terminal, and nothing but its lead between them
    "fet-touch-d": _through("100", "D", "D'", "tie G S"),
    "fet-touch-s": _through("100", "S", "S'", "tie G S"),
    "fet-bleed": ("tie 1k D S", "tie 1k G S", "multimeter > D' S'"),
    "fet-impedance-gs": ("impedance meter high > G", "impedance meter low > S", "tie D S"),
    "fet-impedance-ds": ("impedance meter high > D", "impedance meter low > S", "tie G S"),
}  # fmt: skip

_STAGE_PATHS = (
    ("VIN", "SW"), ("SW", "PGND"), ("VIN", "PGND"), ("VDRV", "PGND"), ("BOOT", "SW"),
    ("PWM", "PGND"), ("EN", "PGND"),
)  # fmt: skip
_STAGE_TERMINALS = ("VIN", "SW", "PGND", "VDRV", "BOOT", "PWM", "EN")
#: inputs are looked at one way only: the other way round their clamp conducts
_BOTH_WAYS = _STAGE_PATHS[:5]


def _stage_pairs() -> dict[str, tuple[str, ...]]:
    """Join each two terminals through 100 ohm, and those that may be short directly."""
    pairs = {*_STAGE_PATHS, *((low, high) for high, low in _BOTH_WAYS)}
    known = {frozenset(pair) for pair in _STAGE_PATHS}
    pairs |= {
        (one, other)
        for place, one in enumerate(_STAGE_TERMINALS)
        for other in _STAGE_TERMINALS[place + 1 :]
        if {one, other} not in known
    }
    return {
        f"stage-short-{high.lower()}-{low.lower()}": _through("100", high, low)
        for high, low in sorted(pairs)
    } | {
        f"stage-grade-{high.lower()}-{low.lower()}": _direct(high, low)
        for high, low in _STAGE_PATHS
    }


_OTHERS: Final[dict[str, tuple[str, ...]]] = {
    **_stage_pairs(),
    "stage-diode-hs": (
        f"{_PLUS} > 430 > SW", f"{_MINUS} > VIN", _INPUTS_LOW, "tie BOOT SW",
        "multimeter > SW VIN",
    ),
    "stage-diode-ls": (
        f"{_PLUS} > 430 > PGND", f"{_MINUS} > SW", _INPUTS_LOW, "tie BOOT SW",
        "multimeter > PGND SW",
    ),
    "stage-hs-leak": (
        f"{_PLUS} > 1k > VIN", f"{_MINUS} > PGND", "tie BOOT SW", _INPUTS_LOW,
        "SW > 10k > PGND", "multimeter > across 10k",
    ),
    "stage-ls-leak-100k": _through("100k", "VIN", "PGND", "tie VIN SW BOOT", _INPUTS_LOW),
    "stage-ls-leak-10k": _through("10k", "VIN", "PGND", "tie VIN SW BOOT", _INPUTS_LOW),
    "stage-vin-leak-100k": _through(
        "100k", "VIN", "PGND", "tie SW PGND", _INPUTS_LOW, "tie BOOT SW"
    ),
    "stage-drive-off": _drive("tie EN PWM PGND"),
    "stage-drive-en": _drive("tie EN VDRV"),
    "stage-drive-en-low": _drive("tie EN VDRV", "tie PWM PGND"),
    "stage-drive-en-high": _drive("tie EN PWM VDRV"),
    "stage-drive-en-volts": (
        f"{_PLUS} > 22 > VDRV", f"{_MINUS} > PGND", "tie VIN SW PGND", "tie EN VDRV",
        "multimeter > PWM PGND",
    ),
    "stage-on-ls": (
        f"{_PLUS} > SW", f"{_MINUS} > PGND", "tie VIN SW", *_SECOND_DRIVE, "tie EN VDRV",
        "tie PWM PGND", "multimeter > SW' PGND'",
    ),
    "stage-on-hs": (
        f"{_PLUS} > VIN", f"{_MINUS} > SW", "tie SW PGND", *_SECOND_DRIVE, "tie EN PWM VDRV",
        "multimeter > VIN' SW'",
    ),
    # where a switch inside charges BOOT, it would droop while SW stays low
    "stage-on-hs-boot": (
        f"{_PLUS} > VIN", f"{_MINUS} > SW", "tie SW PGND", *_SECOND_DRIVE, "tie EN PWM VDRV",
        "VDRV > 10 > BOOT", "multimeter > VIN' SW'",
    ),
    "stage-on-ls-one": (
        f"{_PLUS} > 4.7 > SW", f"{_PLUS} > 22 > VDRV", f"{_MINUS} > PGND", "tie VIN SW",
        "tie EN VDRV", "tie PWM PGND", "multimeter > SW' PGND'",
    ),
    "stage-on-hs-one": (
        f"{_PLUS} > 4.7 > VIN", f"{_PLUS} > 22 > VDRV", f"{_MINUS} > SW", "tie SW PGND",
        "tie EN PWM VDRV", "multimeter > VIN' SW'",
    ),
    "stage-on-hs-boot-one": (
        f"{_PLUS} > 4.7 > VIN", f"{_PLUS} > 22 > VDRV", f"{_MINUS} > SW", "tie SW PGND",
        "tie EN PWM VDRV", "VDRV > 10 > BOOT", "multimeter > VIN' SW'",
    ),
    "stage-pwm-1k": _through(
        "1k", "PWM", "PGND", "tie VIN SW PGND", *_SECOND_DRIVE, "tie EN VDRV"
    ),
    "stage-tri": (
        f"{_PLUS} > 100 > VIN", f"{_MINUS} > SW", "tie SW PGND", *_SECOND_DRIVE, "tie EN VDRV",
        "multimeter > across 100",
    ),
    "stage-tri-10k": (
        f"{_PLUS} > 10k > VIN", f"{_MINUS} > SW", "tie SW PGND", *_SECOND_DRIVE, "tie EN VDRV",
        "multimeter > across 10k",
    ),
    "stage-tri-ls": (
        f"{_PLUS} > 100 > SW", f"{_MINUS} > PGND", "tie VIN SW", *_SECOND_DRIVE, "tie EN VDRV",
        "multimeter > across 100",
    ),
    "stage-tri-one": (
        f"{_PLUS} > 10k > VIN", f"{_PLUS} > 22 > VDRV", f"{_MINUS} > SW", "tie SW PGND",
        "tie EN VDRV", "multimeter > across 10k",
    ),
    "stage-tri-ls-one": (
        f"{_PLUS} > 10k > SW", f"{_PLUS} > 22 > VDRV", f"{_MINUS} > PGND", "tie VIN SW",
        "tie EN VDRV", "multimeter > across 10k",
    ),
    "stage-bleed": ("tie 1k VIN SW", "tie 1k SW PGND", "multimeter > VIN' PGND'"),
    **BOARD_HOOKUPS,
}  # fmt: skip


#: the bootstrap capacitor is emptied over this while everything else stays as it is
_EMPTY_BOOT = "tie 1k BOOT SW"
_CHARGE_BOOT = (
    "stage-drive", "stage-on", "stage-pwm", "stage-tri", "stage-short-vdrv", "stage-grade-vdrv",
)  # fmt: skip


def _swapped(join: str) -> str:
    if join.endswith(" > supply 2 plus"):
        return _swapped(join.removesuffix(" > supply 2 plus")) + " > supply 2 minus"
    for one, other in ((_PLUS, _MINUS), ("supply 2 plus", "supply 2 minus")):
        if join.startswith(one):
            return other + join.removeprefix(one)
        if join.startswith(other):
            return one + join.removeprefix(other)
    return join


#: name -> joins, as they are made
HOOKUPS: Final[Mapping[str, tuple[str, ...]]] = {
    **_FET,
    **{f"{name}-p": tuple(map(_swapped, joins)) for name, joins in _FET.items()},
    **_OTHERS,
    **{
        f"{name}-bleed": (*joins, _EMPTY_BOOT)
        for name, joins in _OTHERS.items()
        if name.startswith(_CHARGE_BOOT)
    },
}


def joins_of(name: str) -> tuple[str, ...]:
    """Give the joins of a hookup; raise InputError for a name that there is not."""
    if name not in HOOKUPS:
        near = nearest(name, HOOKUPS)
        raise InputError(
            f"there is no hookup {name!r}", hint=f"did you mean {near!r}?" if near else None
        )
    return HOOKUPS[name]


def draw(name: str) -> tuple[str, ...]:
    """Draw a hookup, a line per lead; raise InputError for a name that there is not."""
    return draw_joins(joins_of(name))


def hookup(name: str, *, mirrored: bool = False, with_multimeter: bool = True) -> Hookup:
    """Give a hookup as the bench takes it; `mirrored` for a p-channel part.

    Without a multimeter the joins that need one are left out.
    """
    wanted = f"{name}-p" if mirrored and name in _FET else name
    joins: dict[str, str] = {}
    roles: list[str] = []
    for join in joins_of(wanted):
        if not with_multimeter and join.startswith("multimeter"):
            continue
        where, arrow, rest = join.partition(" > ")
        if not arrow:
            where, _, rest = join.partition(" ")
        key, number = where, 2
        while key in joins:
            key, number = f"{where} ({number})", number + 1
        joins[key] = rest
        for word, role in (
            ("supply", "supply"), ("multimeter", "multimeter"), ("impedance", "impedance_meter")
        ):  # fmt: skip
            if word in join and role not in roles:
                roles.append(role)
    drawn = [join for join in joins_of(wanted) if with_multimeter or not join.startswith("multi")]
    return Hookup(name=wanted, joins=joins, instruments=tuple(roles), drawing=draw_joins(drawn))


def series_ohm_of(name: str) -> float | None:
    """Give the resistor between channel 1 and the part (ohm); None where there is none.

    The multimeter as series element counts as its input resistance.
    """
    for join in joins_of(name):
        pieces = join.split(" > ")
        if pieces[0] in (_PLUS, _MINUS) and len(pieces) == 3:
            return METER_OHM if pieces[1] == "multimeter" else SERIES_OHM[pieces[1]]
    return None
