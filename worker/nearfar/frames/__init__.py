"""Picture files in and out: pixels, windows, colour profile, camera data."""
