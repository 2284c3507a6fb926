"""Which piece from which block, where on it, sawn how: problem, solve, verify, explain."""
