"""A block for every piece, why, and what another would cost."""
