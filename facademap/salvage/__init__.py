"""Salvaged blocks: faces, measuring from photos, usable areas, appearance."""
