"""Take readings: what procedures call on the impedance meter, the multimeter and the supply."""

from __future__ import annotations

__all__ = ["MAXIMUM_LEVEL_V", "Measuring"]

from labbench.bench.acting import Acting
from labbench.errors import LimitExceeded, StepAborted
from labbench.ports import (
    ImpedanceConditions,
    ImpedanceReading,
    MultimeterConditions,
    ScalarReading,
)

#: highest test level of the impedance meter: a coil must not be magnetised by being looked at
MAXIMUM_LEVEL_V = 0.5


class Measuring(Acting):
    """Set and take; every take stands inside a step."""

    @property
    def impedance_by_hand(self) -> bool:
        """Tell whether a person reads the impedance meter's display."""
        return bool(getattr(self.impedance_meter, "by_hand", False))

    @property
    def multimeter_by_hand(self) -> bool:
        """Tell whether a person reads the multimeter's display."""
        return bool(getattr(self.multimeter, "by_hand", False))

    @property
    def impedance_range_hz(self) -> tuple[float, float]:
        """Tell the lowest and highest frequency of the impedance meter (Hz)."""
        return self._require(self.impedance_meter, "an impedance meter").frequency_range_hz

    def prepare_impedance(self) -> None:
        """Set what holds for all impedance points."""
        meter = self._require(self.impedance_meter, "an impedance meter")
        with self._acting(meter):
            meter.prepare()

    def set_impedance_point(
        self, *, frequency_hz: float, level_v: float, aperture_s: float, averages: int
    ) -> ImpedanceConditions:
        """Set an impedance point and return what was read back.

        Raises LimitExceeded above 0.5 V or outside the meter's frequencies.
        """
        meter = self._require(self.impedance_meter, "an impedance meter")
        lowest, highest = meter.frequency_range_hz
        if not 0 < level_v <= MAXIMUM_LEVEL_V:
            raise LimitExceeded(
                f"a test level of {level_v:g} V was asked for; it must lie in 0 to "
                f"{MAXIMUM_LEVEL_V:g} V; nothing was set"
            )
        if not lowest <= frequency_hz <= highest:
            raise LimitExceeded(
                f"{frequency_hz:g} Hz was asked for; the impedance meter reaches from "
                f"{lowest:g} to {highest:g} Hz; nothing was set"
            )
        with self._acting(meter):
            return meter.set_point(
                frequency_hz=frequency_hz,
                level_v=level_v,
                aperture_s=aperture_s,
                averages=averages,
            )

    def take_impedance(self) -> ImpedanceReading:
        """Take one impedance reading at the point set."""
        meter = self._require(self.impedance_meter, "an impedance meter")
        return self._take(meter, "impedance", meter.read_impedance)

    def set_dc_voltage(
        self, *, range_v: float | None = None, integration_periods: float = 10.0
    ) -> MultimeterConditions:
        """Set the multimeter to DC voltage and return what was read back."""
        meter = self._require(self.multimeter, "a multimeter")
        self._multimeter_function = None
        with self._acting(meter):
            conditions = meter.set_dc_voltage(
                range_v=range_v, integration_periods=integration_periods
            )
        self._multimeter_function = "voltage"
        return conditions

    def take_voltage(self) -> ScalarReading:
        """Take one voltage reading with the multimeter (V)."""
        meter = self._require(self.multimeter, "a multimeter")
        if self._multimeter_function != "voltage":
            raise StepAborted("a voltage was to be read and the multimeter is not set to it")
        return self._take(meter, "voltage", meter.read)

    def take_supply_voltage(self, channel: int = 1) -> ScalarReading:
        """Take the supply's own reading of its voltage (V)."""
        supply = self._require_guard().supply
        return self._take(supply, "supply-voltage", lambda: supply.read_voltage(channel))

    def take_supply_current(self, channel: int = 1) -> ScalarReading:
        """Take the supply's own reading of its current (A)."""
        supply = self._require_guard().supply
        return self._take(supply, "supply-current", lambda: supply.read_current(channel))
