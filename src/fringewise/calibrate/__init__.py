"""Heads calibrated from captures of a target."""
