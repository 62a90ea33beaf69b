"""The whole wiring as ngspice sees it: the same elements, solved by another program.

Does not cover the elements' values, which are assumptions, nor the part, which stands here as a
resistance and an inductance (tests/sim/physics holds the coil against ngspice).
"""

from __future__ import annotations

import re
import subprocess
from collections.abc import Callable, Sequence

import pytest

from sim.bench import VirtualBench
from sim.circuit import CurrentSource, Element, Impedance, Series, Shunt, solve

MakeBench = Callable[..., VirtualBench]

pytestmark = pytest.mark.needs_ngspice


def netlist(elements: Sequence[Element], frequency_hz: float, plus: str, minus: str) -> str:
    """Write the elements for ngspice (a dialect of Berkeley SPICE 3), which prints a voltage."""
    names: dict[str, str] = {"0": "0"}

    def node(name: str) -> str:
        return names.setdefault(name, f"n{len(names)}")

    lines = ["wiring"]
    for number, element in enumerate(elements):
        match element:
            case Series():
                a, b, mid = node(element.plus), node(element.minus), f"m{number}"
                lines.append(f"V{number} {a} {mid} dc {element.volts!r} ac 0")
                if element.henry:
                    lines.append(f"L{number} {mid} k{number} {element.henry!r}")
                    mid = f"k{number}"
                # A voltage controlled by the branch's own current: SPICE would stamp a resistance
                # of a microhm as a conductance, in which the 10 microsiemens of a part drown.
                lines.append(f"H{number} {mid} {b} V{number} {element.ohm!r}")
            case Shunt():
                a, b = node(element.plus), node(element.minus)
                omega = 2.0 * 3.141592653589793 * frequency_hz
                siemens = element.siemens + element.loss_tangent * omega * element.farad
                if siemens:
                    lines.append(f"R{number} {a} {b} {1.0 / siemens!r}")
                if element.farad:
                    lines.append(f"C{number} {a} {b} {element.farad!r}")
            case CurrentSource():
                # SPICE counts the current from the first node through the source.
                amperes = complex(element.amperes).real
                a, b = node(element.minus), node(element.plus)
                lines.append(f"I{number} {a} {b} dc {amperes!r} ac {amperes!r}")
            case Impedance():
                a, b, mid = node(element.plus), node(element.minus), f"m{number}"
                ohm = complex(element.ohm)
                lines.append(f"R{number} {a} {mid} {ohm.real!r}")
                henry = ohm.imag / (2.0 * 3.141592653589793 * frequency_hz)
                lines.append(f"L{number} {mid} {b} {henry!r}")
            case _:
                raise AssertionError(element)
    kind = "op" if frequency_hz == 0.0 else f"ac lin 1 {frequency_hz!r} {frequency_hz!r}"
    lines += [
        ".options gmin=1e-20 reltol=1e-9 abstol=1e-18 vntol=1e-15",
        ".control", "set numdgt=15", kind,
        f"let found = v({node(plus)}) - v({node(minus)})", "print found",
        ".endc", ".end", "",
    ]  # fmt: skip
    return "\n".join(lines)


def ngspice(text: str) -> complex:
    done = subprocess.run(
        ["ngspice", "-b", "-n", "/dev/stdin"],
        input=text, capture_output=True, text=True, timeout=60, check=False,
    )  # fmt: skip
    said = f"{text}\n{done.stdout}\n{done.stderr}"
    found = re.findall(r"^found = (\S+?)(?:,\s*(\S+))?$", done.stdout, flags=re.MULTILINE)
    assert len(found) == 1, said
    assert "singular" not in said.lower(), said
    return complex(float(found[0][0]), float(found[0][1] or 0.0))


@pytest.mark.parametrize("frequency_hz", [100.0, 1e4, 1e6])
@pytest.mark.parametrize(("ohm", "henry"), [(1.5e-3, 470e-9), (0.3, 100e-6), (1e5, 1e-6)])
def test_the_impedance_at_the_meter_is_that_of_ngspice(
    frequency_hz: float, ohm: float, henry: float, make_bench: MakeBench
) -> None:
    bench = make_bench(ohm, henry)
    assert bench.switch is not None
    bench.switch.close([101, 201, 202, 205, 206])
    part = {101: complex(ohm, 2.0 * 3.141592653589793 * frequency_hz * henry)}
    elements = bench.wiring.elements(part, bench.clock.now_s(), dc=False)
    assert bench.multimeter is not None
    elements = [*elements, CurrentSource("drive", "LH", "LL", 1.0)]
    elements += bench.multimeter.ac_elements()
    # SPICE wants a ground in every part of the circuit.
    elements.append(Series("tie", "LL", "0", 0.0))
    expected = ngspice(netlist(elements, frequency_hz, "LH", "LL"))
    assert solve(elements, frequency_hz).voltage_v("LH", "LL") == pytest.approx(expected, rel=1e-8)
    assert bench.impedance_ohm(frequency_hz) == pytest.approx(expected, rel=1e-8)


@pytest.mark.parametrize("ohm", [1.5e-3, 16e-3, 1e3, 1e7])
@pytest.mark.parametrize("function", ["voltage", "resistance"])
def test_the_dc_voltage_at_the_multimeter_is_that_of_ngspice(
    ohm: float, function: str, make_bench: MakeBench
) -> None:
    bench = make_bench(ohm)
    assert bench.switch is not None
    assert bench.multimeter is not None
    bench.switch.close([101, 203, 204, 205, 206])
    bench.multimeter.set_function(function)
    elements = bench.wiring.elements({101: ohm}, bench.clock.now_s(), dc=True)
    elements = [*elements, *bench.multimeter.elements()]
    elements.append(Series("capacitor", "SP", "0", 0.0, 0.0, 0.3))
    expected = ngspice(netlist(elements, 0.0, "MH", "ML"))
    found = solve(elements).voltage_v("MH", "ML")
    assert found == pytest.approx(expected, rel=1e-8, abs=1e-12)
    assert bench.dc_point().meter_v.at(0.3) == pytest.approx(expected.real, rel=1e-8, abs=1e-12)
