"""Readings: what is taken in, and what is made of it."""
