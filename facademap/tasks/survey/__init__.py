"""Photos, control and outlines in; elevations, accuracy and colour out."""
