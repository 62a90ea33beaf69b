"""Tell a repair bench whether an inductor or a power switch is fit to solder in."""

__version__ = "0.1.0"
