"""From pattern columns to points on the part, with their noise, flags and normals."""
