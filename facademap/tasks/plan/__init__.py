"""From conditions to treatments, cut-outs and pieces, and the colour each piece must match."""
