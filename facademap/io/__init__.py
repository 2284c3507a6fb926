"""Photo, raster and vector files to and from arrays and checked tables."""
