"""The project on disk: folder, GeoPackage, history."""
