"""Tests, each against something outside the project where that is possible."""
