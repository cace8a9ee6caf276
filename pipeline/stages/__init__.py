"""The stages of the line, one file each: pure functions of values."""
