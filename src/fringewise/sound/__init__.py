"""What the metal was before the damage: a smooth sheet through the sound metal, carried across."""
