"""Check blocks, verifications, and how long heads and probes hold."""
