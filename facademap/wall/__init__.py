"""Wall frames, their place in the world, pixel grids in metres, courses and wall stones."""
