"""The uncertainty to expect of a size before a capture is taken."""
