"""Fringewise: from raw phase-shifted frames to sizes of damage with honest uncertainties."""

__version__ = "0.1.0.dev0"
