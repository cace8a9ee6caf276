"""Colour as pure array functions: spaces, difference, fading, palettes. No files, no models."""
