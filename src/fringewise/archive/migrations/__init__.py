"""Steps from one schema of the archive to the next; each is kept for ever, so that old archives open."""
