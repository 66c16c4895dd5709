"""Meter readings as they came in, and the verdict on each."""
