"""Limits books and what they say of measured findings."""
