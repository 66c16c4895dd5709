"""Tests, one folder per stage."""
