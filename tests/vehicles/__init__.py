"""Vehicles and what is known of them."""
