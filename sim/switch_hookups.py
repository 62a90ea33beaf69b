"""Hookups of switches, stages and rails in words, and the relays of the matrix that make them.

A join is written as a hand makes it: `supply 1 plus > 100k > D`. Of a p-channel part plus and
minus of the supply change places and the name ends in `-p`.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping

from sim.board_hookups import BOARD
from sim.switch_jig import (
    BOOT_RELAY,
    CHANGEOVER,
    HIGH_ROW,
    HOLD_RELAY,
    LOW_ROW,
    METER_HIGH_ROW,
    METER_LOW_ROW,
    MINUS_2_ROW,
    MINUS_ROW,
    PLUS_ROW,
    Q_ROW,
    R_ROW,
    RETURN_RELAY,
    TERMINALS,
    TIE_ROW,
    crosspoint,
)

_SERIES = {
    "4.7": 400, "22": 401, "100": 402, "430": 403, "1k": 404, "3k": 405, "4.3k": 406, "10k": 407,
    "100k": 408, "1M": 409,
}  # fmt: skip
_SECOND = {"22": 411, "1k": 412}
_DIRECT_2 = 410
_SPARE_COLUMN = 9
_METER_HIGH_ON_PLUS, _METER_LOW_ON_R = 420, 421
_BLEEDER_TIES = {"tie 1k D S": 430, "tie 1k G S": 431, "tie 1k VIN SW": 430, "tie 1k SW PGND": 431,
                 "tie 1k RAIL GND": 430, "tie 1k VIN GND": 431,
                 "tie 1k BOOT SW": 435}  # fmt: skip
_PLUS, _MINUS = "supply 1 plus", "supply 1 minus"
_PLUS_2, _MINUS_2 = "supply 2 plus", "supply 2 minus"


def _through(series: str, high: str, low: str, *more: str) -> tuple[str, ...]:
    return (
        f"{_PLUS} > {series} > {high}", f"{_MINUS} > {low}", *more, f"multimeter > across {series}",
    )  # fmt: skip


def _on(series: str, high: str, low: str, read: str, *more: str) -> tuple[str, ...]:
    middle = f"{series} > " if series else ""
    return (
        f"{_PLUS} > {middle}{high}", f"{_MINUS} > {low}", *more, f"multimeter > {read}",
    )  # fmt: skip


_FET: dict[str, tuple[str, ...]] = {
    "fet-short-ds": _through("100", "D", "S", "tie G S"),
    "fet-short-sd": _through("100", "S", "D", "tie G S"),
    "fet-short-gs": _through("100", "G", "S", "tie D S"),
    "fet-short-gd": _through("100", "G", "D", "tie S D"),
    "fet-grade-ds": _on("", "D", "S", "D' S'", "tie G S"),
    "fet-grade-gs": _on("", "G", "S", "G S'", "tie D S"),
    "fet-grade-gd": _on("", "G", "D", "G D'", "tie S D"),
    "fet-gate-plus": (f"{_PLUS} > multimeter > G", f"{_MINUS} > S", "tie D S"),
    "fet-gate-minus": (f"{_PLUS} > multimeter > S", f"{_MINUS} > G", "tie D S"),
    "fet-gate-plus-1M": _through("1M", "G", "S", "tie D S"),
    "fet-gate-minus-1M": _through("1M", "S", "G", "tie D S"),
    **{
        f"fet-drain-{ohm}": _through(ohm, "D", "S", "tie G S")
        for ohm in ("1k", "10k", "100k", "1M")
    },
    "fet-drain-meter": (f"{_PLUS} > multimeter > D", f"{_MINUS} > S", "tie G S"),
    "fet-diode-4k3": _on("4.3k", "S", "D", "S' D'", "tie G S"),
    "fet-diode-22": _on("22", "S", "D", "S' D'", "tie G S"),
    "fet-diode-direct": _on("", "S", "D", "S' D'", "tie G S"),
    "fet-threshold-10k": _through("10k", "D", "S", "tie G D"),
    "fet-threshold-3k": _through("3k", "D", "S", "tie G D"),
    "fet-threshold-10k-volts": _on("10k", "D", "S", "D' S'", "tie G D"),
    "fet-threshold-3k-volts": _on("3k", "D", "S", "D' S'", "tie G D"),
    "fet-on": _on("", "D", "S", "D' S'", f"{_PLUS_2} > 1k > G", f"{_MINUS_2} > S"),
    "fet-on-one": _on("4.7", "D", "S", "D' S'", f"{_PLUS} > 1k > G"),
    **{
        f"fet-breakdown-{ohm}": (
            f"{_PLUS} > {ohm} > D",
            f"{_MINUS} > {_PLUS_2}",
            f"{_MINUS_2} > S",
            "tie G S",
            "multimeter > D' S'",
        )
        for ohm in ("10k", "100k")
    },
    "fet-touch-d": _through("100", "D", "D'", "tie G S"),
    "fet-touch-s": _through("100", "S", "S'", "tie G S"),
    "fet-bleed": ("tie 1k D S", "tie 1k G S", "multimeter > D' S'"),
    "fet-impedance-gs": ("impedance meter > G S", "tie D S"),
    "fet-impedance-ds": ("impedance meter > D S", "tie G S"),
}
# The gate of a p-channel part needs the other pole than the 4.7 ohm gives, on the one channel.
_NOT_MIRRORED = ("fet-on-one", "fet-bleed", "fet-impedance-gs", "fet-impedance-ds")

_LOW = "tie VDRV EN PWM PGND"


def _drive(*inputs: str, read: str = "across 22") -> tuple[str, ...]:
    return _on("22", "VDRV", "PGND", read, "tie VIN SW PGND", *inputs)


_PINS = tuple(TERMINALS["stage"])
_LOOKED_AT = ("VIN SW", "SW PGND", "VIN PGND", "VDRV PGND", "BOOT SW", "PWM PGND", "EN PGND")
# Each pair one way, those of the power path and the supplies both ways.
_PAIRS = sorted(
    {
        *_LOOKED_AT,
        *(" ".join(reversed(pair.split())) for pair in _LOOKED_AT[:5]),
        *(
            f"{one} {other}"
            for number, one in enumerate(_PINS)
            for other in _PINS[number + 1 :]
            if not {f"{one} {other}", f"{other} {one}"} & set(_LOOKED_AT)
        ),
    }
)


def _pair_name(kind: str, pair: str) -> str:
    return f"stage-{kind}-{pair.lower().replace(' ', '-')}"


def _sensed(pair: str) -> str:
    return " ".join(f"{pin}'" if TERMINALS["stage"][pin][1] is not None else pin
                    for pin in pair.split())  # fmt: skip


_STAGE: dict[str, tuple[str, ...]] = {
    **{_pair_name("short", pair): _through("100", *pair.split()) for pair in _PAIRS},
    **{_pair_name("grade", p): _on("", *p.split(), _sensed(p)) for p in _LOOKED_AT},
    "stage-diode-hs": _on("430", "SW", "VIN", "SW' VIN'", _LOW, "tie BOOT SW"),
    "stage-diode-ls": _on("430", "PGND", "SW", "PGND' SW'", _LOW, "tie BOOT SW"),
    "stage-hs-leak": _on("1k", "VIN", "PGND", "SW PGND", "tie BOOT SW", _LOW, "SW > 10k > PGND"),
    "stage-ls-leak-100k": _through("100k", "VIN", "PGND", "tie VIN SW BOOT", _LOW),
    "stage-ls-leak-10k": _through("10k", "VIN", "PGND", "tie VIN SW BOOT", _LOW),
    "stage-vin-leak-100k": _through("100k", "VIN", "PGND", "tie SW PGND", _LOW, "tie BOOT SW"),
    "stage-drive-off": _drive("tie EN PWM PGND"),
    "stage-drive-en": _drive("tie EN VDRV"),
    "stage-drive-en-low": _drive("tie EN VDRV", "tie PWM PGND"),
    "stage-drive-en-high": _drive("tie EN PWM VDRV"),
    "stage-drive-en-volts": _drive("tie EN VDRV", read="PWM PGND'"),
    "stage-on-ls": _on(
        "", "SW", "PGND", "SW' PGND'", "tie VIN SW", f"{_PLUS_2} > 22 > VDRV", f"{_MINUS_2} > PGND",
        "tie EN VDRV", "tie PWM PGND",
    ),
    "stage-on-hs": _on(
        "", "VIN", "SW", "VIN' SW'", "tie SW PGND", f"{_PLUS_2} > 22 > VDRV", f"{_MINUS_2} > PGND",
        "tie EN PWM VDRV",
    ),
    "stage-on-hs-boot": _on(
        "", "VIN", "SW", "VIN' SW'", "tie SW PGND", f"{_PLUS_2} > 22 > VDRV", f"{_MINUS_2} > PGND",
        "tie EN PWM VDRV", "VDRV > 10 > BOOT",
    ),
    "stage-on-ls-one": _on(
        "4.7", "SW", "PGND", "SW' PGND'", "tie VIN SW", f"{_PLUS} > 22 > VDRV", "tie EN VDRV",
        "tie PWM PGND",
    ),
    "stage-on-hs-one": _on(
        "4.7", "VIN", "SW", "VIN' SW'", "tie SW PGND", f"{_PLUS} > 22 > VDRV", "tie EN PWM VDRV"
    ),
    "stage-on-hs-boot-one": _on(
        "4.7", "VIN", "SW", "VIN' SW'", "tie SW PGND", f"{_PLUS} > 22 > VDRV", "tie EN PWM VDRV",
        "VDRV > 10 > BOOT",
    ),
    "stage-pwm-1k": _on(
        "1k", "PWM", "PGND", "across 1k", "tie VIN SW PGND", f"{_PLUS_2} > 22 > VDRV",
        f"{_MINUS_2} > PGND", "tie EN VDRV",
    ),
    "stage-tri": _on(
        "100", "VIN", "SW", "across 100", "tie SW PGND", f"{_PLUS_2} > 22 > VDRV",
        f"{_MINUS_2} > PGND", "tie EN VDRV",
    ),
    "stage-tri-10k": _on(
        "10k", "VIN", "SW", "across 10k", "tie SW PGND", f"{_PLUS_2} > 22 > VDRV",
        f"{_MINUS_2} > PGND", "tie EN VDRV",
    ),
    "stage-tri-ls": _on(
        "100", "SW", "PGND", "across 100", "tie VIN SW", f"{_PLUS_2} > 22 > VDRV",
        f"{_MINUS_2} > PGND", "tie EN VDRV",
    ),
    "stage-tri-one": _on(
        "10k", "VIN", "SW", "across 10k", "tie SW PGND", f"{_PLUS} > 22 > VDRV", "tie EN VDRV"
    ),
    "stage-tri-ls-one": _on(
        "10k", "SW", "PGND", "across 10k", "tie VIN SW", f"{_PLUS} > 22 > VDRV", "tie EN VDRV"
    ),
    "stage-bleed": ("tie 1k VIN SW", "tie 1k SW PGND", "multimeter > VIN' PGND'"),
}  # fmt: skip

# What feeds the driver charges the bootstrap capacitor: 1 kohm empties it before anything moves.
_CHARGING = (
    "stage-drive", "stage-on", "stage-pwm", "stage-tri", "stage-short-vdrv", "stage-grade-vdrv",
)  # fmt: skip
_STAGE |= {
    f"{name}-bleed": (*joins, "tie 1k BOOT SW")
    for name, joins in _STAGE.items()
    if name.startswith(_CHARGING)
}

_RAIL: dict[str, tuple[str, ...]] = {
    "rail-check": _on("", "RAIL", "GND", "RAIL' GND'"),
    "rail-check-100R": _through("100", "RAIL", "GND"),
    "rail-check-4R7": _through("4.7", "RAIL", "GND"),
    # The clips together: the same wiring with the position "short".
    "rail-short": _on("", "RAIL", "GND", "RAIL' GND'"),
}


def _swapped(join: str) -> str:
    if join.endswith(f" > {_PLUS_2}"):
        return f"{_swapped(join.removesuffix(f' > {_PLUS_2}'))} > {_MINUS_2}"
    for one, other in ((_PLUS, _MINUS), (_PLUS_2, _MINUS_2)):
        if join.startswith(one):
            return other + join.removeprefix(one)
        if join.startswith(other):
            return one + join.removeprefix(other)
    return join


JOINS: Mapping[str, Mapping[str, tuple[str, ...]]] = {
    "mosfet": {
        **_FET,
        **{
            f"{name}-p": tuple(map(_swapped, joins))
            for name, joins in _FET.items()
            if name not in _NOT_MIRRORED
        },
        **{f"{name}-p": _FET[name] for name in _NOT_MIRRORED[1:]},
    },
    "stage": _STAGE,
    "load": _RAIL,
    "board": {**_RAIL, **BOARD},
}


class JoinError(ValueError):
    """A hookup that the matrix cannot make."""


def relays(family: str, joins: Iterable[str]) -> list[int]:
    """Give the relays that make these joins for a family; raise JoinError if none do."""
    return _Making(family, list(joins)).relays()


def hookups(families: Iterable[str], *, channels: int, meter: bool, bridge: bool) -> dict[str, str]:
    """Give the relay list of every hookup that these instruments can make, by its name.

    `meter` is the multimeter, `bridge` the impedance meter; joins of an absent multimeter are
    left out unless it is in series.
    """
    found: dict[str, str] = {}
    for family in families:
        for name, joins in JOINS[family].items():
            words = " ".join(joins)
            if (
                ("supply 2" in words and channels < 2)
                or ("supply" in words and channels < 1)
                or ("impedance" in words and not bridge)
            ):
                continue
            if not meter:
                if "> multimeter >" in words:
                    continue
                joins = tuple(join for join in joins if not join.startswith("multimeter"))
            numbers = relays(family, joins)
            found[name] = "(@" + ",".join(str(number) for number in numbers) + ")"
    return found


class _Making:
    """Turns the joins of one hookup into relays."""

    def __init__(self, family: str, joins: list[str]) -> None:
        self._terminals = TERMINALS[family]
        self._joins = joins
        self._closed: list[int] = []
        # Terminal: the row that it is on; a tie puts its terminals on the row of one of them.
        self._rows: dict[str, set[int]] = {}

    def relays(self) -> list[int]:
        supplied = [join for join in self._joins if join.startswith("supply")]
        stacked = [join for join in supplied if join.rsplit(" > ", 1)[-1].startswith("supply")]
        supplied = [join for join in supplied if join not in stacked]
        box_taken = any(
            _middle(join) in _SERIES and _middle(join) not in _SECOND for join in supplied
        )
        # A minus lead with a resistor is the same loop with the resistor in the plus lead.
        series = {number: [_middle(j) for j in supplied if j.startswith(f"supply {number} ")]
                  for number in (1, 2)}  # fmt: skip
        for join in supplied:
            number = 1 if join.startswith("supply 1") else 2
            plus, terminal = " plus" in join, join.rsplit(" > ", 1)[-1]
            middle = next((each for each in series[number] if each), "")
            several = len(series[number]) > 2
            if several:
                middle = _middle(join)
            if not plus:
                self._put(terminal, MINUS_ROW if number == 1 else MINUS_2_ROW)
            elif number == 2 or (several and box_taken and middle in _SECOND):
                self._put(terminal, Q_ROW)
                self._close(_SECOND[middle] if middle else _DIRECT_2)
                if number == 1:
                    self._close(CHANGEOVER)
            elif middle == "multimeter":
                self._close(_METER_HIGH_ON_PLUS)
                self._put(terminal, LOW_ROW)
            elif middle:
                self._close(_SERIES[middle])
                self._put(terminal, R_ROW)
            else:
                self._put(terminal, PLUS_ROW)
        for join in stacked:
            self._stack(join, supplied)
        for join in self._joins:
            if join.startswith("impedance"):
                high, low = join.rsplit(" > ", 1)[-1].split()
                self._put(high, METER_HIGH_ROW)
                self._put(low, METER_LOW_ROW)
        for join in self._joins:
            if join in _BLEEDER_TIES:
                self._close(_BLEEDER_TIES[join])
            elif join.startswith("tie "):
                self._tie(join.split()[1:])
            elif join == "SW > 10k > PGND":
                self._close(RETURN_RELAY)
            elif join == "RAIL > 1 > GND":
                self._close(HOLD_RELAY)
            elif join == "VDRV > 10 > BOOT":
                self._close(BOOT_RELAY)
            elif join.startswith("multimeter > across"):
                self._close(_METER_HIGH_ON_PLUS)
                self._close(_METER_LOW_ON_R)
            elif join.startswith("multimeter"):
                high, low = join.rsplit(" > ", 1)[-1].split()
                self._close(crosspoint(HIGH_ROW, self._sense(high)))
                self._close(crosspoint(LOW_ROW, self._sense(low)))
        return sorted(self._closed)

    def _stack(self, join: str, supplied: list[str]) -> None:
        """Put the second channel in series with the first, by way of a column nothing else uses."""
        if join.startswith(_MINUS):
            self._close(crosspoint(MINUS_ROW, _SPARE_COLUMN))
            self._close(crosspoint(Q_ROW, _SPARE_COLUMN))
            self._close(_DIRECT_2)
            return
        # The resistor is in the plus lead: the same loop as with it in the minus lead.
        middle = next(_middle(each) for each in supplied if _middle(each))
        self._close(_SERIES[middle])
        self._close(crosspoint(R_ROW, _SPARE_COLUMN))
        self._close(crosspoint(MINUS_2_ROW, _SPARE_COLUMN))

    def _tie(self, terminals: list[str]) -> None:
        rows = [row for name in terminals for row in sorted(self._rows.get(name, ()))]
        if rows:
            row = rows[0]
        elif any(TIE_ROW in taken for taken in self._rows.values()):
            raise JoinError(f"the tie bus is taken: tie {' '.join(terminals)}")
        else:
            row = TIE_ROW
        for name in terminals:
            if row not in self._rows.get(name, ()):
                self._put(name, row)

    def _put(self, terminal: str, row: int) -> None:
        self._rows.setdefault(terminal, set()).add(row)
        self._close(crosspoint(row, self._sense(terminal)))

    def _sense(self, name: str) -> int:
        force, sense = self._terminals[name.rstrip("'")]
        return force if sense is None or not name.endswith("'") else sense

    def _close(self, relay: int) -> None:
        if relay not in self._closed:
            self._closed.append(relay)


def _middle(join: str) -> str:
    pieces = join.split(" > ")
    return pieces[1] if len(pieces) == 3 else ""
