"""Tests of the arithmetic; none of them needs the framework."""
