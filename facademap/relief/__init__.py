"""How far a wall stands out of its plane: cameras round it, relief from photos, and change between surveys."""
