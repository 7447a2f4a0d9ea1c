"""Inspections on record: work cards, findings, sign-off."""
