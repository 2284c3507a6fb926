"""Stages and checks of the work, and the order of it."""
