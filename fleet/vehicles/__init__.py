"""Depots and their climate, vehicle types, compartments, vehicles and their meters."""
