"""The use cases, each readable on one page: what the shells call."""
