"""From frames to the pattern column that each pixel looks at, with its variance and its risks."""
