"""Join the core to a simulated bench inside one process, without sockets or SCPI.

The procedures, the guarded supply and the metrology are the real ones; the instruments are the
simulator's, asked directly, on a clock that jumps. A measurement takes some 50 ms so, where the
road over sockets takes a second: thousands of sessions of their own become possible. What it
leaves out (drivers, framing, journals on disk) is tested elsewhere.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from datetime import UTC, datetime
from typing import Any

from labbench.bench.bench import Bench
from labbench.bench.bench_file import BenchLimits
from labbench.bench.stop import StopFlag
from labbench.ports import (
    Event,
    Identity,
    ImpedanceConditions,
    ImpedanceReading,
    MultimeterConditions,
    Prompt,
    ScalarReading,
    SupplySetting,
)
from sim.bench import VirtualBench
from sim.clock import ManualClock
from sim.scenario import ImpedanceMeterSpec, Scenario, SupplySpec, load_scenario

HOOKUPS = {"coil-impedance": (201, 202), "coil-kelvin": (203, 204, 205, 206)}
KELVIN_WITHOUT_MULTIMETER = {"coil-impedance": (201, 202), "coil-kelvin": (203, 204)}


class _Port:
    def __init__(self, role: str) -> None:
        self.role = role
        self.address = f"in-process {role}"

    def identify(self) -> Identity:
        return Identity("workshop", self.role, "1", "1", f"workshop,{self.role},1,1")

    def check_errors(self) -> None:
        pass

    def recover(self) -> None:
        pass

    def close(self) -> None:
        pass


class _ImpedanceMeter(_Port):
    def __init__(self, simulated: Any) -> None:
        super().__init__("impedance_meter")
        self._simulated = simulated

    @property
    def frequency_range_hz(self) -> tuple[float, float]:
        return self._simulated.figures.lowest_hz, self._simulated.figures.top_hz

    def prepare(self) -> None:
        self._simulated.set_correction_on(False)
        self._simulated.set_range_auto(True)

    def set_point(
        self, *, frequency_hz: float, level_v: float, aperture_s: float, averages: int
    ) -> ImpedanceConditions:
        meter = self._simulated
        meter.set_frequency_hz(frequency_hz)
        meter.set_level_v(level_v)
        meter.set_aperture_s(aperture_s)
        meter.set_averages(averages)
        return self._conditions()

    def read_impedance(self) -> ImpedanceReading:
        found = self._simulated.measure()
        if found.status == 1:
            return ImpedanceReading(None, None, "over-range", "", self._conditions())
        status = "unstable" if found.status == 3 else "ok"
        return ImpedanceReading(
            found.resistance_ohm, found.reactance_ohm, status, "", self._conditions()
        )

    def _conditions(self) -> ImpedanceConditions:
        meter = self._simulated
        return ImpedanceConditions(
            meter.frequency_hz, meter.level_v, meter.aperture_s, meter.averages
        )


class _Supply(_Port):
    def __init__(self, simulated: Any) -> None:
        super().__init__("supply")
        self._simulated = simulated
        self.channels = simulated.channels

    def program(
        self, channel: int, *, voltage_v: float, current_a: float, over_voltage_v: float
    ) -> SupplySetting:
        supply = self._simulated
        supply.set_over_voltage_v(channel, over_voltage_v)
        supply.set_current_a(channel, current_a)
        supply.set_voltage_v(channel, voltage_v)
        return SupplySetting(
            supply.voltage_v(channel), supply.current_a(channel), supply.over_voltage_v(channel)
        )

    def switch_on(self, channel: int) -> None:
        self._simulated.set_output(channel, True)

    def switch_off(self, channel: int) -> None:
        self._simulated.set_output(channel, False)

    def is_on(self, channel: int) -> bool:
        return bool(self._simulated.output(channel))

    def read_voltage(self, channel: int) -> ScalarReading:
        return ScalarReading(self._simulated.measure_voltage_v(channel), "V", "ok", "")

    def read_current(self, channel: int) -> ScalarReading:
        return ScalarReading(self._simulated.measure_current_a(channel), "A", "ok", "")

    def in_current_limit(self, channel: int) -> bool | None:
        return bool(self._simulated.mode(channel) == "cc")

    def force_off(self) -> bool:
        for channel in range(1, self.channels + 1):
            self._simulated.set_output(channel, False)
        return True


class _Multimeter(_Port):
    def __init__(self, simulated: Any) -> None:
        super().__init__("multimeter")
        self._simulated = simulated

    def set_dc_voltage(
        self, *, range_v: float | None, integration_periods: float
    ) -> MultimeterConditions:
        meter = self._simulated
        meter.set_function("voltage")
        meter.set_nplc(integration_periods)
        meter.set_range(range_v)
        return MultimeterConditions("voltage", meter.range, meter.nplc)

    def set_resistance(
        self, *, range_ohm: float | None, integration_periods: float, four_wire: bool
    ) -> MultimeterConditions:
        raise AssertionError("no procedure of a coil measures ohms with the multimeter")

    def read(self) -> ScalarReading:
        value = self._simulated.measure()
        return ScalarReading(value, "V", "ok" if value is not None else "over-range", "")


class _Switch(_Port):
    def __init__(self, simulated: Any) -> None:
        super().__init__("switch")
        self._simulated = simulated

    def close_only(self, channels: Sequence[int]) -> tuple[int, ...]:
        extra = [n for n in self._simulated.closed() if n not in channels]
        if extra:
            self._simulated.open(extra)
        if channels:
            self._simulated.close(channels)
        return self.closed()

    def closed(self) -> tuple[int, ...]:
        return tuple(self._simulated.closed())


class _Clock:
    def __init__(self, simulated: ManualClock) -> None:
        self._simulated = simulated

    def utc(self) -> datetime:
        return datetime(2026, 11, 25, 8, 0, tzinfo=UTC)

    def monotonic_s(self) -> float:
        return self._simulated.now_s()

    def sleep_s(self, seconds: float) -> None:
        self._simulated.sleep_s(seconds)


class _Consenting:
    """Answer every question with its default, or yes."""

    interactive = True

    def ask(self, prompt: Prompt) -> str:
        return prompt.default or "yes"

    def tell(self, event: Event) -> None:
        pass


class _NoJournal:
    """Swallow events: what a study keeps are its counts."""

    def write(self, kind: str, **data: object) -> None:
        pass


class Session:
    """Hold one simulated session: its own errors of every instrument, its own fixture and coil."""

    def __init__(self, scenario: Scenario, seed: int) -> None:
        self.clock = ManualClock()
        self.simulated = VirtualBench(scenario, seed=seed, clock=self.clock)
        simulated = self.simulated
        limits = None
        if scenario.supply is not None:
            limits = BenchLimits(
                voltage_v=scenario.supply.highest_v, current_a=scenario.supply.highest_a
            )
        positions: Mapping[str, tuple[int, ...]] = {
            **{spec.name: (spec.position,) for spec in scenario.specimens},
            "open": (198,),
            "short": (199,),
        }
        self.bench = Bench(
            impedance_meter=_of(_ImpedanceMeter, simulated.impedance_meter),
            supply=_of(_Supply, simulated.supply),
            multimeter=_of(_Multimeter, simulated.multimeter),
            switch=_of(_Switch, simulated.switch),
            operator=_Consenting(),
            clock=_Clock(self.clock),
            journal=_NoJournal(),  # type: ignore[arg-type]
            limits=limits,
            hookups=HOOKUPS if simulated.multimeter is not None else KELVIN_WITHOUT_MULTIMETER,
            positions=positions,
            stop=StopFlag(),
            output_capacitance_f=scenario.supply.output_f if scenario.supply else None,
            supply_leads_ohm=scenario.fixture.supply_leads_ohm,
        )

    @property
    def name(self) -> str:
        """Name the specimen on the bench."""
        return self.simulated.scenario.specimens[0].name

    def true_impedance_ohm(self, frequency_hz: float, temperature_c: float) -> complex:
        """Give the truth about the coil at a temperature."""
        import numpy as np

        coil = self.simulated._coils[self.name]
        return complex(coil.impedance_ohm(np.array([frequency_hz]), temperature_c=temperature_c)[0])

    def true_resistance_ohm(self, temperature_c: float) -> float:
        """Give the truth about the winding at a temperature."""
        return float(self.simulated._coils[self.name].dc_resistance_ohm(temperature_c))


def scenario_of(
    construction: str,
    *,
    meter: str | None = None,
    supply: str | None = None,
    multimeter: str | None = None,
    highest_a: float = 5.0,
) -> Scenario:
    """Return a bench with one sound coil of a construction and instruments of these classes."""
    from dataclasses import replace

    from sim.instruments.classes import IMPEDANCE_METERS, SUPPLIES

    base = load_scenario("one-coil")
    fixture = base.fixture
    if meter is not None:
        figures = IMPEDANCE_METERS[meter]
        fixture = replace(
            fixture, series_ohm=figures.fixture_ohm, series_h=figures.fixture_h,
            shunt_f=figures.fixture_f, contact_sd_ohm=figures.contact_sd_ohm,
            contact_sd_h=figures.contact_sd_h,
        )  # fmt: skip
    return replace(
        base,
        impedance_meter=ImpedanceMeterSpec(meter, None, None) if meter else None,
        supply=SupplySpec(supply, 1, SUPPLIES[supply].output_f, 30.0, highest_a)
        if supply
        else None,
        multimeter_class=multimeter,
        fixture=fixture,
        lots=(replace(base.lots[0], construction=construction),),
    )


def _of(kind: type[Any], simulated: Any) -> Any:
    return None if simulated is None else kind(simulated)


def wilson(count: int, n: int) -> tuple[float, float]:
    """Return the 95 % interval of a share (Wilson 1927)."""
    z = 1.959963984540054
    p = count / n
    middle = (p + z * z / (2 * n)) / (1 + z * z / n)
    half = z / (1 + z * z / n) * math.sqrt(p * (1 - p) / n + z * z / (4 * n * n))
    return middle - half, middle + half
