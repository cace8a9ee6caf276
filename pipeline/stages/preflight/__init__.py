"""Preflight: the checks made before anything is printed, each a pure function that returns findings."""
