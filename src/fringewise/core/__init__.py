"""What every other room uses: errors, measured values, quality flags, units, checks, progress and clock."""
