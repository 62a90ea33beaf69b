"""Hold what of a coil's readings is believed, in the form that the model takes."""

from __future__ import annotations

__all__ = ["Measured", "SweepData", "believed"]

import numpy as np
from attrs import frozen

from labbench.judging.characteristics import resistance_at
from labbench.judging.coil_diagnosis import open_winding
from labbench.judging.coil_evidence import SweepData
from labbench.judging.coil_priors import Prior, healthy_prior
from labbench.judging.conformity import expanded_uncertainty
from labbench.judging.input_doubts import Block, Doubt, doubts_about
from labbench.judging.sweep_points import SweepPoints, usable_points
from labbench.parts.coil_type import CoilType
from labbench.results import DcResistance, Finding, Readings

# Without a contact block: what a jig of tips leaves after compensation (assumed, cautious).
_CONTACT_OHM = 2e-4
_CONTACT_H = 1e-9


@frozen(eq=False)
class Measured:
    """Hold what of the readings is believed."""

    readings: Readings
    points: SweepPoints
    dc_resistance: DcResistance | None
    doubts: tuple[Doubt, ...]
    open_winding: Finding | None

    def doubted(self, block: Block) -> bool:
        """Tell whether a block cannot be believed."""
        return any(block in doubt.blocks for doubt in self.doubts)

    @property
    def contact_ohm(self) -> float:
        """Give the standard uncertainty of the contact's resistance."""
        contact = self.readings.contact
        return contact.u_resistance_ohm if contact is not None else _CONTACT_OHM

    @property
    def contact_h(self) -> float:
        """Give the standard uncertainty of the contact's inductance."""
        contact = self.readings.contact
        return contact.u_inductance_h if contact is not None else _CONTACT_H

    @property
    def sweep_temperature_c(self) -> float | None:
        """Give the temperature at the sweep, where it is known."""
        if self.readings.temperature_c is not None:
            return self.readings.temperature_c
        dc = self.readings.dc_resistance
        return dc.temperature_c if dc is not None else None

    def dc_at(self, to_c: float | None) -> tuple[float, float] | None:
        """Find the dc resistance (ohm) at a temperature and its standard uncertainty.

        None also where the LCR meter gave it: that reading is part of the sweep already.
        """
        dc = self.dc_resistance
        if dc is None or dc.method == "impedance-meter":
            return None
        at = resistance_at(
            dc, to_c if to_c is not None else 25.0, part_temperature_c=self.readings.temperature_c
        )
        if at is None:
            return None
        # few degrees of freedom count as a wider normal distribution of the same 95 % interval
        return at.value_ohm, expanded_uncertainty(at.u_ohm, at.dof) / expanded_uncertainty(1.0)

    def prior(self, part: CoilType) -> Prior:
        """State what is expected of a healthy part of the type at the sweep's temperature."""
        dc = self.dc_at(self.sweep_temperature_c)
        guess = dc[0] if dc else float(self.points.resistance_ohm[0])
        return healthy_prior(
            part,
            temperature_c=self.sweep_temperature_c,
            contact_resistance_ohm=self.contact_ohm,
            contact_inductance_h=self.contact_h,
            guess_inductance_h=max(float(np.median(self.points.inductance_h)), 1e-10),
            guess_resistance_ohm=max(guess, 1e-5),
        )

    def sweep(self, prior: Prior, material: str | None) -> SweepData:
        """Put sweep, dc resistance and prior together for the tests."""
        dc = self.dc_at(self.sweep_temperature_c)
        return SweepData(
            self.points, prior, self.contact_ohm, self.contact_h,
            dc[0] if dc else None, dc[1] if dc else None, material,
        )  # fmt: skip


def believed(readings: Readings, part: CoilType) -> Measured:
    """Sort out what no coil can give."""
    points = usable_points(readings.impedance)
    dc = readings.dc_resistance
    found = open_winding(readings.impedance, points, dc, part)
    # what an open winding leaves to measure is noise and stray capacitance
    doubts = () if found is not None else doubts_about(points, dc, part)
    blocks = {block for doubt in doubts for block in doubt.blocks}
    return Measured(
        readings=readings,
        points=usable_points(None) if "impedance" in blocks else points,
        dc_resistance=None if "dc-resistance" in blocks else dc,
        doubts=doubts,
        open_winding=found,
    )
