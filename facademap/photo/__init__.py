"""Cameras and lenses, control, fits, resampling, mosaics and colour calibration."""
