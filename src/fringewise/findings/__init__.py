"""What a person marked, and its measured sizes: one file a kind, one place for the uncertainty."""
