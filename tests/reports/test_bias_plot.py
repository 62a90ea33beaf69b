"""The plot of inductance against direct current. Not covered: how it looks."""

from __future__ import annotations

from attrs import evolve

from labbench.reports.plots import bias_plot
from labbench.results import BiasPoint, Judgement, Readings

BAND = {
    "current_a": [0.0, 5.0, 10.0],
    "fitted_inductance_h": [4.7e-6, 4.2e-6, 3.2e-6],
    "inductance_h": {"lower": [4.6e-6, 4.0e-6, 3.0e-6], "upper": [4.8e-6, 4.4e-6, 3.4e-6]},
    "core_class": "powder",
}
READINGS = Readings(
    specimen="D1", type="coil-4u7",
    bias=(BiasPoint(0.0, 4.7e-6, 1e-8), BiasPoint(5.0, 4.2e-6, 1e-8)),
)  # fmt: skip
JUDGEMENT = Judgement("D1", "coil-4u7", "fit", (), (), (), band={"bias": BAND})


def test_the_plot_says_how_it_falls_and_is_the_same_every_time() -> None:
    svg = bias_plot(READINGS, JUDGEMENT)
    assert svg.startswith("<svg")
    assert "falls as powder does" in svg
    assert "sound part of this type" in svg
    assert svg == bias_plot(READINGS, JUDGEMENT)


def test_points_without_a_band_are_drawn_alone() -> None:
    svg = bias_plot(READINGS, evolve(JUDGEMENT, band=None))
    assert "measured" in svg
    assert "falls as" not in svg


def test_there_is_no_plot_without_bias_points() -> None:
    assert bias_plot(evolve(READINGS, bias=()), JUDGEMENT) == ""
